"""The ways in: the passphrase as a phone types it, the code once, and the cookie that either gives."""

import doctest
import re
from itertools import pairwise

import pytest
from conftest import Gated
from test_slowing import Client, Clock, gate_of

from triage.app.network import passphrase, slowing
from triage.app.network.entry_page import POLICY, entry_page
from triage.app.network.keys import CODE_MINUTES, Keys
from triage.app.network.passphrase import N_WORDS, is_passphrase, new_passphrase, words


def test_a_passphrase_is_of_over_40_bits_run_together_too():
    """Letters alone are compared, so no two rows of words may run together to the same letters: none begins another."""
    listed = words()
    assert len(set(listed)) ** N_WORDS > 2**40
    assert not any(two.startswith(one) for one, two in pairwise(listed))  # sorted: a beginning stands right before
    assert all(re.fullmatch("[a-z]{3,5}", word) for word in listed)
    made = [new_passphrase().split() for _ in range(2000)]
    assert {len(one) for one in made} == {N_WORDS} and len({word for one in made for word in one}) > 0.9 * len(listed)


@pytest.mark.parametrize(
    "typed", ["acid fern mug stole", " Acid Fern Mug Stole ", "acid-fern-mug-stole", "ACIDFERNMUGSTOLE", "acid, fern,mug. stole\n"]
)
def test_the_passphrase_is_taken_as_a_phone_types_it(typed):
    assert is_passphrase(typed, "acid fern mug stole")


@pytest.mark.parametrize("typed", [
    "", " ", "acid fern mug", "acid fern mug stole stole", "stole mug fern acid", "acid fern mug stol", "acid fern mug stolé",
    "\ud800", "acid fern mug *", "acid fern mug stole 7", "acid_fern_mug_stole",
])  # fmt: skip
def test_nothing_else_is(typed):
    assert not is_passphrase(typed, "acid fern mug stole")


def test_every_start_makes_its_own_keys():
    one, two = Keys(), Keys()
    assert one.passphrase != two.passphrase and one.code != two.code and one.cookie != two.cookie
    assert not two.is_cookie(one.cookie) and not two.takes_code(one.code) and not two.is_passphrase(one.passphrase)
    assert min(len(one.code), len(one.cookie)) >= 22  # 128 bits
    assert one.code not in one.cookie and one.passphrase not in one.cookie


def test_the_code_lets_in_once_and_not_late():
    clock = Clock()
    keys = Keys(clock)
    assert not keys.takes_code("") and not keys.takes_code(keys.code + "x") and not keys.takes_code("ü")
    assert keys.takes_code(keys.code) and not keys.takes_code(keys.code)
    for late, taken in ((CODE_MINUTES * 60 - 1, True), (CODE_MINUTES * 60, False)):
        keys = Keys(clock)
        clock.now += late
        assert keys.takes_code(keys.code) is taken


def test_the_passphrase_gives_a_cookie_that_no_script_and_no_other_site_sees(gated):
    status, head, _ = gated.enter(passphrase=gated.passphrase.upper().replace(" ", "-"))
    (cookie,) = re.findall(r"^set-cookie: (.+)$", head, re.M | re.I)
    name, *rules = cookie.strip().split("; ")
    assert status == 303 and re.search(r"^location: /\s*$", head, re.M)
    assert sorted(rules) == ["HttpOnly", "Path=/", "SameSite=strict"]  # no age: it goes with the browser
    assert gated.ask("/_stcore/health", Cookie=name)[2] == b"ok"


def test_over_tls_the_cookie_goes_nowhere_unencrypted(sealed):
    _, head, _ = sealed.enter(passphrase=sealed.passphrase)
    name, *rules = re.search(r"^set-cookie: (.+)$", head, re.M | re.I)[1].strip().split("; ")
    assert sorted(rules) == ["HttpOnly", "Path=/", "SameSite=strict", "Secure"] and name.startswith("__Host-")
    assert sealed.ask("/_stcore/health", Cookie=name)[2] == b"ok"


def test_the_page_keeps_the_passphrase_out_of_every_address(gated):
    _, head, body = gated.ask("/genes?x=1")
    assert b'method="post"' in body and body == entry_page()
    assert f"content-security-policy: {POLICY.lower()}" in head.splitlines() and head.count("content-security-policy") == 1
    assert "cache-control: no-store" in head and "form-action 'self'" in POLICY and "default-src 'none'" in POLICY
    for path in ("/enter", "/"):
        asked = gated.told(f"{path}?passphrase={gated.passphrase.replace(' ', '+')}")
        assert asked[0] == 403 and "set-cookie" not in asked[1].lower()


@pytest.mark.parametrize(
    "body", [b"", b"passphrase=", b"code=", b"code=x", b"passphrase", b"=&=&", b"\xff\xfe", b"code=%ff", b"passphrase=%00", b"{}"]
)
def test_a_form_that_holds_neither_lets_nobody_in(body):
    status, head = Client(gate_of(Keys(), Clock()), "192.168.1.9").posts(body)
    assert status == 403 and "set-cookie" not in head


def test_a_form_in_parts_is_read_whole_and_one_that_breaks_off_is_not_taken():
    keys = Keys()
    client = Client(gate_of(keys, Clock()), "192.168.1.9")
    words = keys.passphrase.replace(" ", "+").encode()
    assert client.posts(b"passph", b"rase=", words)[0] == 303
    assert client.posts()[0] == 413


def test_a_form_that_never_ends_is_not_read_to_its_end():
    client = Client(gate_of(Keys(), Clock()), "192.168.1.9")
    assert client.posts(*[b"passphrase=" + b"x" * 100] * 10_000)[0] == 413 and client.n_read < 20


def test_who_came_in_is_said_where_the_app_was_started(gated):
    gated.cookie()
    assert f"triage: {gated.at} was let in by the passphrase\n" in gated.log.read_text()


def test_a_cookie_from_before_a_new_start_is_worth_nothing(home, tmp_path):
    for folder in (tmp_path / "one", tmp_path / "two"):
        server = Gated(folder, "--network", home, name=home, at=home)
        if folder.name == "one":
            old = server.cookie()
            assert server.told("/_stcore/health", Cookie=old)[0] == 200
        else:
            assert server.told("/_stcore/health", Cookie=old)[0] == server.socket_status(Cookie=old) == 403
        server.stop()


@pytest.mark.parametrize("module", [passphrase, slowing])
def test_the_examples_in_the_code_are_true(module):
    found = doctest.testmod(module)
    assert found.attempted > 0 and found.failed == 0
