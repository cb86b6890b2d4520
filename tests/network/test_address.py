"""Which address of this machine is served: one of a home, never one that the internet reaches, never all."""

import pytest

from triage.app.network import address
from triage.app.network.address import home_address, own_addresses
from triage.errors import TriageError


@pytest.fixture
def of(monkeypatch):
    def set(*addresses):
        monkeypatch.setattr(address, "own_addresses", lambda: list(addresses))

    return set


def test_the_first_of_a_home_is_taken_and_the_others_are_told(of):
    of("127.0.0.1", "::1", "fe80::1", "fd00::2", "8.8.8.8", "169.254.3.4", "192.168.1.20", "10.0.0.3", "2001:4860:4860::8888")
    assert home_address() == ("192.168.1.20", ("10.0.0.3", "fd00::2"))
    assert home_address("10.0.0.3") == ("10.0.0.3", ("192.168.1.20", "fd00::2"))
    assert home_address("[FD00:0::2]")[0] == "fd00::2"


@pytest.mark.parametrize(
    "wanted", ["0.0.0.0", "::", "127.0.0.1", "localhost", "8.8.8.8", "192.168.1.21", "192.168.1", "home", "*"]
)
def test_no_other_address_is(of, wanted):
    of("127.0.0.1", "8.8.8.8", "192.168.1.20", "fd00::2")
    with pytest.raises(TriageError, match=r"not an address of this machine in a home .* needed: 192\.168\.1\.20 or fd00::2, or no"):
        home_address(wanted)


def test_a_machine_without_a_home_network_is_refused(of):
    of("127.0.0.1", "8.8.8.8", "fe80::1")
    with pytest.raises(TriageError, match=r"in no home network \(its addresses are 127.0.0.1, 8.8.8.8, fe80::1\); needed: .* join"):
        home_address()
    of()
    with pytest.raises(TriageError, match=r"\(it has no address at all\)"):
        home_address("192.168.1.20")


def test_this_machine_knows_its_own_loopback():
    assert "127.0.0.1" in own_addresses()
