"""What ``triage app`` serves for which words, and what it refuses."""

import re
import shutil
import socket
import subprocess
from pathlib import Path

import pytest
from certificates import made, pem_of
from conftest import listening
from test_app_doors import Server

from triage.app import serve as serving
from triage.app.network import address
from triage.app.network.certificate import read_certificate
from triage.app.network.network import Network
from triage.cli.main import main

README = Path(__file__).parents[2] / "README.md"


@pytest.fixture
def served(monkeypatch):
    """What would be served."""
    calls = []
    monkeypatch.setattr(serving, "serve", lambda **what: calls.append(what))
    monkeypatch.setattr(address, "own_addresses", lambda: ["127.0.0.1", "127.0.0.2", "127.0.0.3"])
    monkeypatch.setattr(address, "_is_of_a_home", lambda one: one != "127.0.0.1")
    return calls


def refused(capsys, *words):
    assert main(["app", *map(str, words)]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    return line


def test_without_network_this_machine_alone_is_served(served):
    assert main(["app", "--no-browser"]) == 0
    assert served == [{"port": 8501, "open_browser": False, "network": None}]


def test_the_first_address_or_the_one_that_is_named_is_served(served):
    for words in (["--network"], ["--network", "--port", "8501"], ["--network", "127.0.0.2"], ["--network=127.0.0.2"]):
        assert main(["app", *words]) == 0
        assert served.pop() == {"port": 8501, "open_browser": True, "network": Network("127.0.0.2", ("127.0.0.3",))}
    assert main(["app", "--network", "127.0.0.3"]) == 0
    assert served.pop()["network"] == Network("127.0.0.3", ("127.0.0.2",))


def test_a_certificate_goes_with_it(served, tmp_path):
    key, certificate = made()
    (tmp_path / "home.crt").write_bytes(certificate)
    (tmp_path / "home.key").write_bytes(pem_of(key))
    assert main(["app", "--network", "--certificate", str(tmp_path / "home.crt"), "--key", str(tmp_path / "home.key")]) == 0
    network = served.pop()["network"]
    assert network.certificate == read_certificate(tmp_path / "home.crt", tmp_path / "home.key")
    assert network.server["server.sslKeyFile"] == str(tmp_path / "home.key")


def test_options_that_do_not_go_together_are_refused(served, capsys):
    assert "--key x.key: no certificate beside it; needed: --certificate FILE" in refused(capsys, "--network", "--key", "x.key")
    said = refused(capsys, "--certificate", "x.pem")
    assert "--certificate x.pem: without --network nothing leaves this machine; needed: --network" in said
    assert "--network 0.0.0.0: not an address of this machine" in refused(capsys, "--network", "0.0.0.0")
    assert "x.pem: no such file" in refused(capsys, "--network", "--certificate", "x.pem")
    assert served == []


def test_a_port_that_is_taken_on_that_address_is_refused(served, capsys):
    with socket.create_server(("127.0.0.2", 0)) as taken:
        port = taken.getsockname()[1]
        said = refused(capsys, "--network", "--port", port)
        assert f"--port {port}: another program listens there; needed: a free port" in said
        assert main(["app", "--port", str(port)]) == 0  # free on the address of this machine alone


def test_by_default_nothing_listens_but_on_loopback(tmp_path):
    server = Server(tmp_path)
    assert listening(server.process) == {("127.0.0.1", server.port)}
    assert server.ask("/_stcore/health")[2] == b"ok"
    server.stop()


def test_the_certificate_that_the_readme_makes_is_taken(tmp_path):
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    command = re.search(r"^openssl req .*$", README.read_text("utf-8"), re.M)[0]
    subprocess.run(command.split(), cwd=tmp_path, capture_output=True, check=True)
    assert read_certificate(tmp_path / "home.pem").addresses == ("192.168.1.20",)
