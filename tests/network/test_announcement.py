"""What the window shows where the app was started."""

import re

import numpy as np
import pytest
import zxingcpp

from triage.app.network.certificate import Certificate
from triage.app.network.keys import Keys
from triage.app.network.network import Network

BLOCKS = {" ": (0, 0), "▀": (255, 0), "▄": (0, 255), "█": (255, 255)}


def scanned(text):
    """What a phone reads off the picture in these lines, bright signs on a dark ground."""
    lines = [re.sub("\x1b[^m]*m", "", line) for line in text.splitlines()]
    rows = [[BLOCKS[sign] for sign in line] for line in lines if line and set(line) <= set(BLOCKS)]
    picture = np.array(rows, np.uint8).transpose(0, 2, 1).reshape(2 * len(rows), -1)
    (found,) = zxingcpp.read_barcodes(np.kron(np.pad(picture, 4, constant_values=255), np.ones((6, 6), np.uint8)))
    return found.text


@pytest.fixture
def keys():
    return Keys()


def certified(*, addresses=(), names=()):
    return Certificate("home.pem", "home.pem", addresses, names)


@pytest.mark.parametrize("terminal", [True, False])
@pytest.mark.parametrize(("network", "url"), [
    (Network("192.168.1.20"), "http://192.168.1.20:8501/"),
    (Network("fd00::2"), "http://[fd00::2]:8501/"),
    (Network("192.168.1.20", (), certified(addresses=("192.168.1.20",), names=("shed.local",))), "https://192.168.1.20:8501/"),
    (Network("192.168.1.20", (), certified(addresses=("10.0.0.3",), names=("shed.local", "b.x"))), "https://shed.local:8501/"),
    (Network("192.168.1.20", (), certified()), "https://192.168.1.20:8501/"),
])  # fmt: skip
def test_address_passphrase_and_a_code_that_a_phone_reads(keys, network, url, terminal):
    said = network.announcement(keys, 8501, terminal=terminal)
    assert f"On a phone in the same network: {url}\n" in said and f"Passphrase: {keys.passphrase}\n" in said
    assert scanned(said) == f"{url}#{keys.code}"  # behind '#', which no browser sends
    assert url.removesuffix("/").partition("//")[2] in network.hosts(8501)


def test_the_picture_is_bright_on_dark_on_every_terminal_and_has_no_orders_elsewhere(keys):
    network = Network("192.168.1.20")
    drawn = [line for line in network.announcement(keys, 8501, terminal=True).splitlines() if "█" in line]
    assert len(drawn) > 10 and all(line.startswith("\x1b[97;40m") and line.endswith("\x1b[0m") for line in drawn)
    assert max(len(re.sub("\x1b[^m]*m", "", line)) for line in drawn) < 50
    assert "\x1b" not in network.announcement(keys, 8501, terminal=False)


def test_a_terminal_without_half_blocks_gets_spaces_and_a_file_without_gets_none(keys):
    network = Network("192.168.1.20")
    said = network.announcement(keys, 8501, terminal=True, encoding="cp1252")
    assert "\x1b[7m  " in said and said.isascii()
    said = network.announcement(keys, 8501, terminal=False, encoding="ascii")
    assert said.isascii() and "scan" not in said and keys.passphrase in said


def test_what_is_not_encrypted_is_said_to_be(keys):
    plain = Network("192.168.1.20", ("10.0.0.3",)).announcement(keys, 8501, terminal=False)
    assert "Not encrypted: whoever listens on this network can read everything, the passphrase too." in plain
    assert "Other addresses of this machine: 10.0.0.3; 'triage app --network 10.0.0.3' takes that one." in plain
    sealed = Network("192.168.1.20", (), certified(addresses=("192.168.1.20",))).announcement(keys, 8501, terminal=False)
    assert "Not encrypted" not in sealed and "warn" not in sealed and "Other addresses" not in sealed
    nameless = Network("192.168.1.20", (), certified()).announcement(keys, 8501, terminal=False)
    assert "The certificate is not for 192.168.1.20: the phone will warn before it shows the app." in nameless
