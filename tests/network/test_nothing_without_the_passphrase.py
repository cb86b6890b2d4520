"""A client without the passphrase gets one page that asks for it, and nothing else, whatever it asks while another is let in."""

import re
import subprocess
import sys
from importlib import resources

import pytest
from conftest import listening

from triage.app.network.entry_page import entry_page
from triage.app.network.keys import Keys

#: Prints every path that Streamlit has a route for.
ROUTES = """
import sys, streamlit as st
app = st.App(sys.argv[1])
print(*(route.path for route in app._build_starlette_app().routes), sep="\\n")
"""
MAIN = str(resources.files("triage.app") / "main.py")
#: What those routes are today, with a value for each part of theirs that varies, and what they stand for.
PATHS = [
    "/", "/sort", "/held_back", "/collection", "/genes", "/?clutch=demo", "/index.html", "/favicon.png", "/manifest.json",
    "/_stcore/health", "/healthz", "/_stcore/script-health-check", "/_stcore/metrics", "/_stcore/host-config", "/_stcore/stream",
    "/_stcore/allowed-message-origins", "/_stcore/agent/interact", "/_stcore/agent/openapi.json",
    "/_stcore/agent/mcp", "/_stcore/upload_file/a/b", "/_stcore/bidi-components/a/b.js", "/component/a/index.html",
    "/media/0000.jpg", "/static/js/index.js", "/app/static/x.png", "/auth/login", "/auth/logout", "/oauth2callback", "/enter",
    "/nothing",
]  # fmt: skip
ODD = [
    "//", "///_stcore/health", "/./", "/..", "/../", "/static/../_stcore/health", "/static/..%2f..%2fmain.py",
    "/%2e%2e/%2e%2e/etc/passwd", "/..%5c..%5cmain.py", "/%5fstcore/health", "/_stcore%2fhealth", "/_stcore/health/",
    "/_STCORE/HEALTH", "/_stcore/health%00", "/%00", "/%", "/%zz", "/%c0%ae%c0%ae/", "/%ff", "/enter/", "/enter/../_stcore/health",
    "/enter?passphrase=x", "/;/_stcore/health", "/?", "/#x", "/a" * 2000,
    "http://localhost/_stcore/health", "/_stcore/health?cookie=triage", "*", "_stcore/health",
]  # fmt: skip
METHODS = ["GET", "HEAD", "POST", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "CONNECT", "PROPFIND", "get"]


def is_nothing(answer):
    """A refusal that says no more than the page does; some requests are so odd that the server refuses them before."""
    status, head, body = answer
    if status == 400:
        return body in (b"Invalid HTTP request received.", b"")
    told = [word for word in ("set-cookie", "access-control", "etag") if word in head.lower()]
    return status == 403 and body in (entry_page(), b"") and told == []


@pytest.fixture(scope="module")
def cookie(gated):
    """Somebody is let in all the while."""
    return gated.cookie()


def test_who_is_let_in_gets_what_the_paths_stand_for(gated, cookie):
    """Or the tests below would see nothing where there is nothing."""
    script = re.search(rb'src="\./(static/js/[^"]+)"', gated.ask("/", Cookie=cookie)[2])[1].decode()
    for path in ("/", "/genes", "/_stcore/health", "/_stcore/host-config", f"/{script}"):
        assert gated.ask(path, Cookie=cookie)[0] == 200, path
        assert is_nothing(gated.ask(path)), path
    assert gated.socket_status(Cookie=cookie) == 101


def test_the_paths_below_are_all_that_are_served():
    listed = subprocess.run([sys.executable, "-c", ROUTES, MAIN], capture_output=True, text=True, check=True).stdout.split()
    patterns = {re.sub(r"\{\w+(:path)?\}", lambda one: ".*" if one[1] else "[^/]+", path) for path in listed if path}
    served = {re.compile(f"{pattern}$") for pattern in patterns}
    missed = [one.pattern for one in served if not any(one.match(path.partition("?")[0]) for path in PATHS)]
    assert len(served) > 10 and missed == []


@pytest.mark.parametrize("path", PATHS + ODD, ids=lambda path: path[:40])
def test_nothing_is_served_under_any_path(gated, cookie, path):
    assert is_nothing(gated.told(path))
    assert is_nothing(gated.told(path, "PUT", b"x" * 1000))


@pytest.mark.parametrize("method", METHODS)
def test_nothing_is_served_to_any_method(gated, cookie, method):
    for path in ("/", "/_stcore/health", "/_stcore/upload_file/a/b", "/media/x.jpg"):
        assert is_nothing(gated.told(path, method)), path


def test_no_websocket_opens(gated, cookie):
    for origin in ({}, {"Origin": f"http://{gated.name}:{gated.port}"}):
        assert gated.socket_status(**origin) == 403
        assert gated.socket_status(Cookie="triage=", **origin) == 403
        assert gated.socket_status(Cookie=cookie, **origin) == 101


@pytest.mark.parametrize("text", [
    "GET / HTTP/1.0\r\n\r\n", "GET / HTTP/1.0\r\nHost: {host}\r\n\r\n", "GET /\r\n\r\n",
    "GET /_stcore/health HTTP/1.0\r\nHost: {host}\r\n\r\n",
    "GET / HTTP/1.1\r\nConnection: close\r\n\r\n", "GET / HTTP/1.1\r\nHost: {host}\r\nHost: {host}\r\nConnection: close\r\n\r\n",
    "GET / HTTP/2.0\r\nHost: {host}\r\n\r\n", "PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", "\r\n\r\n", "\x16\x03\x01\x02\r\n\r\n",
    "GET / HTTP/1.1\r\nHost: {host}\r\nConnection: Upgrade, HTTP2-Settings\r\nUpgrade: h2c\r\nHTTP2-Settings: AAMAAABkAAQAAP__\r\n\r\n"
    "GET / HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n",
    "PUT /_stcore/upload_file/a/b HTTP/1.1\r\nHost: {host}\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    "3\r\nabc\r\n0\r\n\r\n",
    "GET / HTTP/1.1\r\nHost: {host}\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\nConnection: close\r\n\r\n"
    "0\r\n\r\n",
    "GET / HTTP/1.1\r\nHost: {host}\r\n\r\nGET /_stcore/health HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n",
], ids=lambda text: text[:30])  # fmt: skip
def test_nothing_is_served_in_other_words_of_http(gated, cookie, text):
    answer = gated.ask_raw(text.format(host=f"{gated.name}:{gated.port}").encode("latin-1"))
    statuses = re.findall(rb"^HTTP/1\.1 (\d+)", answer, re.M)
    assert set(statuses) <= {b"400", b"403"}
    assert b"streamlit" not in answer.lower() and b"ok" not in answer.partition(b"\r\n\r\n")[2].splitlines()


@pytest.mark.parametrize("given", [
    "triage", "triage=", "triage=x", "triage={cut}", "triage={longer}", "triage={other}", "Triage={right}", "triage2={right}",
    "x=triage={right}", "triage={lower}", 'triage="{right}"', "triage={passphrase}", "__Host-triage={right}", "triage=%00",
    "triage=\xff",
])  # fmt: skip
def test_no_other_cookie_lets_in(gated, cookie, given):
    right = cookie.partition("=")[2]
    wrong = {"cut": right[:-1], "longer": right + "x", "other": Keys().cookie, "lower": right.lower()}
    text = given.format(right=right, passphrase=gated.passphrase, **wrong)
    assert is_nothing(gated.told("/_stcore/health", Cookie=text))
    assert gated.socket_status(Cookie=text) == 403
    assert gated.ask("/_stcore/health", Cookie=f"{text}; triage={right}")[0] == 200


@pytest.mark.parametrize("named", ["Authorization", "X_Passphrase", "Passphrase"])
def test_no_header_lets_in(gated, cookie, named):
    for value in (gated.passphrase, f"Bearer {cookie.partition('=')[2]}"):
        assert is_nothing(gated.told("/_stcore/health", **{named: value}))


@pytest.mark.parametrize("host", [
    "evil.example:{port}", "evil.example", "{name}", "{name}:1", "localhost:{port}", "127.0.0.1:{port}",
    "{name}.evil.example:{port}", "evil.example@{name}:{port}", "0.0.0.0:{port}", "", None,
])  # fmt: skip
def test_no_other_name_is_answered_with_the_cookie_either(gated, cookie, host):
    host = host and host.format(port=gated.port, name=gated.name)
    for path in ("/", "/_stcore/health", "/media/x.jpg"):
        assert gated.ask(path, Host=host, Cookie=cookie)[0] in (400, 403)
    assert gated.ask("/enter", "POST", b"passphrase=" + gated.passphrase.encode(), Host=host)[0] in (400, 403)
    assert gated.socket_status(Host=host, Cookie=cookie) in (400, 403)


@pytest.mark.parametrize("origin", [
    "http://evil.example", "http://{name}", "https://{name}:{port}", "http://{name}:1", "http://localhost:{port}", "null", "",
])  # fmt: skip
def test_no_page_of_another_origin_is_answered_with_the_cookie_either(gated, cookie, origin):
    origin = origin.format(port=gated.port, name=gated.name)
    assert gated.socket_status(Origin=origin, Cookie=cookie) == 403
    assert gated.ask("/_stcore/upload_file/a/b", "PUT", b"x", Origin=origin, Cookie=cookie)[0] == 403
    assert gated.ask("/enter", "POST", b"passphrase=" + gated.passphrase.encode(), Origin=origin)[0] == 403


def test_nothing_listens_elsewhere(gated):
    assert listening(gated.process) == {(gated.name, gated.port)}


def test_nobody_was_called(gated):
    """After all of the above; stands last for that."""
    assert gated.watched.read_text() == ""
