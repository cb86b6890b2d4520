"""Wrong tries wait: longer and longer for one client, by a rate for all, and one client never makes another wait."""

import asyncio
from urllib.parse import urlencode

import pytest

from triage.app.network.gate import Gate
from triage.app.network.keys import Keys
from triage.app.network.passphrase import N_WORDS, words
from triage.app.network.slowing import AT_ONCE, EVERY_S, FORGOTTEN_S, LONGEST_S, Slowing, client_of


class Clock:
    now = 1000.0

    def __call__(self):
        return self.now


def gate_of(keys, clock):
    async def app(scope, receive, send):
        raise AssertionError("no form reaches the app")

    return Gate(app, keys, False, Slowing(clock))


class Client:
    """One that talks to a gate in this process from an address."""

    def __init__(self, gate, host):
        self.gate, self.host, self.n_read = gate, host, 0

    def posts(self, *parts):
        """Status and headers of the answer to a form that comes in parts, or to one that the client goes away from (no parts)."""
        said, left = [], list(parts)

        async def receive():
            self.n_read += 1
            return {"type": "http.request", "body": left.pop(0), "more_body": bool(left)} if left else {"type": "http.disconnect"}

        async def send(message):
            said.append(message)

        scope = {"type": "http", "method": "POST", "path": "/enter", "headers": [], "client": (self.host, 1)}
        asyncio.run(self.gate(scope, receive, send))
        return said[0]["status"], {name.decode().lower(): value.decode() for name, value in said[0]["headers"]}

    def tries(self, passphrase):
        return self.posts(urlencode({"passphrase": passphrase}).encode())


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def keys():
    return Keys()


def test_each_wrong_try_of_a_client_waits_longer_up_to_a_bound(clock):
    slowing, waits = Slowing(clock), []
    for _ in range(12):
        slowing.wrong("one")
        waits.append(slowing.wait_s("one"))
        clock.now += waits[-1]
        assert slowing.wait_s("one") == 0
    assert waits == [min(2.0**n, LONGEST_S) for n in range(12)]


def test_the_right_passphrase_during_the_wait_is_not_looked_at(clock, keys):
    """Or whoever tries many at once would learn which of them is right."""
    client = Client(gate_of(keys, clock), "192.168.1.9")
    assert client.tries("wrong")[0] == 403
    status, head = client.tries(keys.passphrase)
    assert (status, head["retry-after"]) == (429, "1") and "set-cookie" not in head
    clock.now += 1
    assert client.tries(keys.passphrase)[0] == 303
    assert client.tries("wrong")[0] == 403 and client.tries("wrong")[1]["retry-after"] == "1"  # who was let in starts anew


def test_one_client_that_tries_for_ever_makes_no_other_wait(clock, keys):
    gate = gate_of(keys, clock)
    attacker, keeper = Client(gate, "192.168.1.66"), Client(gate, "192.168.1.20")
    for _ in range(500):
        assert attacker.tries("wrong")[0] == 403
        assert keeper.tries(keys.passphrase)[0] == 303
        clock.now += gate._slowing.wait_s("192.168.1.66")


def test_many_clients_together_are_slowed_and_let_others_in_again_as_soon_as_they_stop(clock, keys):
    gate = gate_of(keys, clock)
    looked_at = [Client(gate, f"10.0.{n // 250}.{n % 250}").tries("wrong")[0] for n in range(1000)]
    assert looked_at.count(403) == AT_ONCE and set(looked_at[AT_ONCE:]) == {429}
    keeper = Client(gate, "192.168.1.20")
    assert keeper.tries(keys.passphrase)[0] == 429
    clock.now += EVERY_S
    assert keeper.tries(keys.passphrase)[0] == 303


def test_the_code_is_taken_while_others_are_slowed(clock, keys):
    gate = gate_of(keys, clock)
    for n in range(100):
        Client(gate, f"10.0.0.{n}").tries("wrong")
    assert Client(gate, "10.0.0.1").posts(f"code={keys.code}".encode())[0] == 303


def test_a_year_of_guessing_finds_fewer_than_one_passphrase_in_100_000():
    guesses = AT_ONCE + 365 * 24 * 3600 / EVERY_S
    assert guesses / len(words()) ** N_WORDS < 1e-5


def test_what_is_remembered_of_clients_is_bounded(clock):
    slowing = Slowing(clock)
    for n in range(3_000):
        if slowing.wait_s(f"10.{n}") == 0:
            slowing.wrong(f"10.{n}")
        clock.now += EVERY_S
    assert len(slowing._wrong) <= FORGOTTEN_S / EVERY_S + LONGEST_S + AT_ONCE


@pytest.mark.parametrize("host", ["fd00::1", "fd00::ffff:1:2:3", "fd00:0:0:0:8000::"])
def test_a_machine_that_changes_its_ipv6_address_is_one_client(clock, keys, host):
    gate = gate_of(keys, clock)
    assert Client(gate, "fd00::9").tries("wrong")[0] == 403
    assert Client(gate, host).tries("wrong")[0] == 429
    assert Client(gate, "fd00:0:0:1::9").tries("wrong")[0] == 403


def test_a_client_is_the_address_that_it_comes_from(gated):
    """Whatever it says of itself; the server that is tested was started where every client was to be believed."""
    for n in range(30):
        said = {"X_Forwarded_For": f"10.0.0.{n}", "X_Real_IP": f"10.0.0.{n}", "Forwarded": f"for=10.0.0.{n}"}
        status, head, _ = gated.told("/enter", "POST", b"passphrase=wrong", **said)
        if status == 429:
            break
    assert status == 429 and 1 <= int(head.lower().partition("retry-after: ")[2].split()[0]) <= LONGEST_S
    assert client_of(gated.at) in gated.log.read_text() and "10.0.0." not in gated.log.read_text()
