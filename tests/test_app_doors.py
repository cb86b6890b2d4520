"""Who is answered by the app and what moves it: a server of its own, started in a folder that means it harm."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

START_S = 60
#: A configuration that opens every door, in the working folder, and one that cannot even be read, in the home folder.
HOSTILE = """
[server]
address = "0.0.0.0"
port = {other}
baseUrlPath = "elsewhere"
enableCORS = false
enableXsrfProtection = false
enableStaticServing = true
headless = false
maxUploadSize = 1
[browser]
gatherUsageStats = true
serverAddress = "example.org"
[client]
toolbarMode = "developer"
allowedOrigins = ["http://example.org"]
[theme]
base = "http://192.0.2.1/theme.toml"
[[theme.fontFaces]]
family = "theirs"
url = "http://192.0.2.1/font.woff2"
"""
ROOT = Path(__file__).parent.parent
WATCH = ROOT / "tests" / "hostile" / "watch"
#: As the installed command starts, which puts no folder of its caller's on the path.
START = (sys.executable, "-P", "-c", "import sys; from triage.cli.main import main; sys.exit(main())")


def watched_by(file: Path) -> dict[str, str]:
    """An environment in which a process says whom it calls."""
    return {**os.environ, "WATCHED": str(file), "PYTHONPATH": os.pathsep.join((str(WATCH), str(ROOT)))}


def free_port(at="127.0.0.1"):
    with socket.socket() as probe:
        probe.bind((at, 0))
        return probe.getsockname()[1]


class Server:
    """``triage app`` in a folder of its own, with everything it connects to on record; over TLS where a context is given."""

    def __init__(self, folder: Path, *options: str, name="localhost", at="127.0.0.1", tls=None, **env: str) -> None:
        self.port, self.other, self.folder = free_port(at), free_port(at), folder
        self.name, self.at, self.tls = name, at, tls
        work, home = folder / "work", folder / "home"
        for place, text in ((work, HOSTILE.format(other=self.other)), (home, "[server\nport = 'x")):
            (place / ".streamlit").mkdir(parents=True)
            (place / ".streamlit" / "config.toml").write_text(text)
        (work / ".streamlit" / "secrets.toml").write_text("TRIAGE_DATA = 'theirs'\n[auth]\ncookie_secret = 'x'\n")
        (work / "streamlit.py").write_text("raise SystemExit('code of the working folder was run')")
        self.watched = folder / "watched.txt"
        self.watched.touch()
        theirs = {"STREAMLIT_SERVER_ADDRESS": "0.0.0.0", "STREAMLIT_SERVER_ENABLE_CORS": "false"}
        env = {**watched_by(self.watched), **theirs, **env, "HOME": str(home), "TRIAGE_DATA": str(folder / "data")}
        self.log = folder / "log.txt"
        with self.log.open("w") as log:
            words = (*START, "app", "--port", str(self.port), "--no-browser", *options)
            self.process = subprocess.Popen(words, cwd=work, env=env, stdout=log, stderr=log)
        end = time.monotonic() + START_S
        while not answers(self.port, self.at):
            assert self.process.poll() is None and time.monotonic() < end, self.log.read_text()
            time.sleep(0.1)

    def line(self):
        """A connection."""
        bare = socket.create_connection((self.at, self.port), timeout=20)
        return self.tls.wrap_socket(bare, server_hostname=self.name) if self.tls else bare

    def ask(self, *asked, **headers):
        """As `told`, headers in lower case."""
        status, head, body = self.told(*asked, **headers)
        return status, head.lower(), body

    def told(self, path="/", method="GET", body=b"", **headers):
        """Status, headers and body of an answer to exactly these headers; ``Host`` may be given, or left out by None."""
        headers = {"Host": f"{self.name}:{self.port}", "Connection": "close", **headers}
        lines = [f"{name.replace('_', '-')}: {value}" for name, value in headers.items() if value is not None]
        text = "\r\n".join([f"{method} {path} HTTP/1.1", *lines, f"Content-Length: {len(body)}", "", ""])
        with self.line() as line:
            line.sendall(text.encode() + body)
            answer = b""
            while b"\r\n\r\n" not in answer or b" 101 " not in answer[:20]:
                more = line.recv(65536)
                if not more:
                    break
                answer += more
        head, _, body = answer.partition(b"\r\n\r\n")
        return int(head.split()[1]), head.decode(), body

    def socket_status(self, **headers):
        """What the app's websocket answers: 101 where it opens."""
        more = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec_WebSocket_Version": "13",
                "Sec_WebSocket_Key": "MDEyMzQ1Njc4OWFiY2RlZg==", "Sec_WebSocket_Protocol": "streamlit"}  # fmt: skip
        return self.ask("/_stcore/stream", **more, **headers)[0]

    def stop(self):
        self.process.kill()
        self.process.wait()


def answers(port, at="127.0.0.1"):
    with socket.socket() as probe:
        return probe.connect_ex((at, port)) == 0


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    found = Server(tmp_path_factory.mktemp("server"))
    yield found
    found.stop()


@pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "[::1]"])
def test_this_machine_is_answered(server, name):
    host = f"{name}:{server.port}"
    assert server.ask(Host=host)[0] == 200
    assert server.ask("/_stcore/health", Host=host)[0] == 200
    assert server.socket_status(Host=host, Origin=f"http://{host}") == 101


@pytest.mark.parametrize(
    "host", ["evil.example:{port}", "evil.example", "localhost", "localhost:1", "localhost.evil.example:{port}",
             "127.0.0.1.evil.example:{port}", "evil.example@localhost:{port}", "0.0.0.0:{port}", "[::]:{port}", "", None]
)  # fmt: skip
def test_no_other_name_is_answered(server, host):
    host = host and host.format(port=server.port)
    for path in ("/", "/_stcore/health", "/_stcore/host-config", "/media/x.jpg", "/static/js/x.js", "/nothing"):
        assert server.ask(path, Host=host)[0] in (400, 403), path
    assert server.ask("/_stcore/upload_file/a/b", "PUT", Host=host)[0] in (400, 403)
    assert server.socket_status(Host=host) in (400, 403)
    assert server.socket_status(Host=host, Origin=f"http://{host}") in (400, 403)


@pytest.mark.parametrize("origin", ["http://evil.example", "http://evil.example:{port}", "https://localhost:{port}", "http://localhost",
                                    "http://127.0.0.1:{port}", "http://localhost:1", "null", ""])  # fmt: skip
def test_no_page_of_another_origin_is_answered(server, origin):
    origin = origin.format(port=server.port)
    assert server.socket_status(Origin=origin) == 403
    assert server.ask("/_stcore/upload_file/a/b", "PUT", b"x", Origin=origin)[0] == 403
    assert server.ask("/_stcore/host-config", Origin=origin)[0] == 403


def test_no_page_frames_the_app_and_the_app_asks_nobody_else(server):
    _, head, _ = server.ask()
    policy = next(line for line in head.splitlines() if line.startswith("content-security-policy:"))
    assert "frame-ancestors 'none'" in policy and "default-src 'self'" in policy and "http" not in policy
    assert b'"allowedOrigins":[]' in server.ask("/_stcore/host-config")[2].replace(b" ", b"")


def test_files_of_the_working_folder_and_the_home_folder_change_nothing(server):
    assert server.ask("/")[0] == 200 and server.ask("/elsewhere/_stcore/health")[2] != b"ok"
    assert not answers(server.other)
    with socket.socket() as probe:  # bound to this machine's own address alone, so another of its addresses is free
        probe.bind(("127.0.0.2", server.port))
    assert "access-control-allow-origin: *" not in server.ask("/_stcore/health")[1]
    assert server.ask("/_stcore/upload_file/a/b", "PUT", b"x")[0] == 403  # no token of this app's own
    log = server.log.read_text()
    assert f"http://localhost:{server.port}" in log and "example.org" not in log and "config" not in log.lower()
    assert not (server.folder / "work" / "theirs").exists()


def test_the_configuration_is_no_more_read_later(server):
    changed = "[server]\nenableXsrfProtection = false\n[global]\ndevelopmentMode = true\n"
    (server.folder / "work" / ".streamlit" / "config.toml").write_text(changed)
    time.sleep(0.5)
    assert server.ask("/_stcore/upload_file/a/b", "PUT", b"x")[0] == 403
    assert "access-control-allow-origin: *" not in server.ask("/_stcore/health")[1]


def test_nobody_was_called(server):
    """After all of the above, foreign origins too; stands last for that."""
    for _ in range(2):
        server.socket_status(Origin="http://evil.example")
    assert server.watched.read_text() == ""


def test_the_watch_sees_a_call(tmp_path):
    calls = "import socket; socket.socket().connect_ex(('127.0.0.1', 9)); socket.getaddrinfo('localhost', 9)"
    subprocess.run([sys.executable, "-c", calls], env=watched_by(tmp_path / "watched.txt"), check=True)
    assert len((tmp_path / "watched.txt").read_text().splitlines()) >= 2


def test_the_command_line_calls_nobody(tmp_path):
    watched = tmp_path / "watched.txt"
    env = {**watched_by(watched), "TRIAGE_DATA": str(tmp_path / "data")}
    for words in (["demo"], ["animal", "add", "--name", "Clove", "--sex", "female"], ["known"], ["backup", "all.triage.zip"], ["verify"]):
        subprocess.run([*START, *words], cwd=tmp_path, env=env, stdout=subprocess.DEVNULL, check=True)
    assert not watched.exists()


ALONE = """
import fcntl, socket, struct, sys, tempfile
from pathlib import Path
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as any:  # loopback up: SIOCSIFFLAGS with IFF_UP | IFF_RUNNING
    fcntl.ioctl(any, 0x8914, struct.pack("16sh14x", b"lo", 0x41))
sys.path.insert(0, str(Path(sys.argv[1]).parent))
from test_app_doors import Server
server = Server(Path(sys.argv[2]))
assert server.ask()[0] == 200
assert server.socket_status(Origin=f"http://localhost:{server.port}") == 101
assert server.socket_status(Origin="http://evil.example") == 403
server.stop()
"""


def test_the_app_needs_no_network_and_tries_none(tmp_path):
    """In a network of loopback alone."""
    unshare = shutil.which("unshare")
    if unshare is None or subprocess.run([unshare, "-rn", "true"], capture_output=True).returncode:
        pytest.skip("this machine lets nobody make a network of their own (unshare --net)")
    done = subprocess.run([unshare, "-rn", sys.executable, "-c", ALONE, __file__, tmp_path], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "watched.txt").read_text() == ""


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT, signal.SIGKILL])
def test_a_signal_that_ends_the_app_ends_its_server(tmp_path, how):
    server = Server(tmp_path)
    with socket.create_connection(("127.0.0.1", server.port)):  # a browser that is still there
        server.process.send_signal(how)
        server.process.wait(timeout=20)
        end = time.monotonic() + 5
        while answers(server.port) and time.monotonic() < end:
            time.sleep(0.1)
        assert not answers(server.port)
    assert "Traceback" not in server.log.read_text()
