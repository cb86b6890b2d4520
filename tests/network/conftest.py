"""``triage app --network`` as a process of its own, on an address of this machine, and as a client sees it."""

import re
import ssl
import sys
from pathlib import Path
from urllib.parse import urlencode

import psutil
import pytest

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]
from certificates import made, pem_of  # noqa: E402
from test_app_doors import Server  # noqa: E402

from triage.app.network.address import home_address  # noqa: E402
from triage.errors import TriageError  # noqa: E402


class Gated(Server):
    """A server that lets nobody in without its passphrase."""

    def __init__(self, *all, **more):
        super().__init__(*all, **more)
        self.ask()  # what is asked first waits until the app has started, and said the passphrase
        self.passphrase = re.search(r"^Passphrase: (.+)$", self.log.read_text(), re.M)[1]

    def enter(self, **fields):
        """Status, headers and body of the answer to the form."""
        return self.told("/enter", "POST", urlencode(fields).encode(), Content_Type="application/x-www-form-urlencoded")

    def cookie(self):
        """The cookie that the passphrase gives."""
        status, head, _ = self.enter(passphrase=self.passphrase)
        assert status == 303
        return re.search(r"^set-cookie: ([^;]+)", head, re.M)[1]

    def ask_raw(self, text: bytes):
        """All that comes back for exactly these bytes."""
        with self.line() as line:
            line.sendall(text)
            answer = b""
            while more := line.recv(65536):
                answer += more
        return answer


def listening(process):
    """Addresses and ports on which a process and those that it started listen."""
    mine = psutil.Process(process.pid)
    found = [one for each in (mine, *mine.children(recursive=True)) for one in each.net_connections("inet")]
    return {tuple(one.laddr) for one in found if one.status == psutil.CONN_LISTEN}


@pytest.fixture(scope="session")
def home():
    """An address of this machine in a network, IPv4."""
    try:
        found = home_address()[0]
    except TriageError as none:
        pytest.skip(str(none))
    if ":" in found:
        pytest.skip(f"this machine has no IPv4 address in a network, only {found}")
    return found


@pytest.fixture(scope="module")
def gated(home, tmp_path_factory):
    server = Gated(tmp_path_factory.mktemp("gated"), "--network", home, name=home, at=home, FORWARDED_ALLOW_IPS="*")
    yield server
    server.stop()


@pytest.fixture(scope="module")
def sealed(home, tmp_path_factory):
    """The same over TLS, with a certificate made by itself, which the client trusts."""
    folder = tmp_path_factory.mktemp("sealed")
    key, certificate = made([home])
    (folder / "home.pem").write_bytes(certificate + pem_of(key))
    trusting = ssl.create_default_context(cadata=certificate.decode())
    server = Gated(folder, "--network", home, "--certificate", str(folder / "home.pem"), name=home, at=home, tls=trusting)
    yield server
    server.stop()
