"""``triage app``: start the app in the browser of this machine, and on a phone in the home network where that is asked for."""

from __future__ import annotations

import contextlib
import socket
from pathlib import Path
from typing import TYPE_CHECKING

import click

from triage.cli.command import command
from triage.errors import TriageError

if TYPE_CHECKING:
    from triage.app.network.network import Network

_LAST_PORT = 65535
_EXAMPLES = """  triage app
  triage app --port 8600 --no-browser
  triage app --network
  triage app --network 192.168.1.20 --certificate home.pem
"""


@command("app", _EXAMPLES)
@click.option("--port", type=click.IntRange(1024, _LAST_PORT), default=8501, show_default=True, help="port to serve on")
@click.option("--no-browser", is_flag=True, help="only serve; do not open a browser window")
@click.option("--network", metavar="[ADDRESS]", is_flag=False, flag_value="", default=None,
              help="let a phone in the same network in by a passphrase; ADDRESS where this machine has several")  # fmt: skip
@click.option("--certificate", type=click.Path(path_type=Path), help="PEM file: encrypt what goes over the network")
@click.option("--key", type=click.Path(path_type=Path), help="PEM file of the certificate's key, where that is another file")
def app(port: int, no_browser: bool, network: str | None, certificate: Path | None, key: Path | None) -> int:
    """Open the app in this machine's browser; no other machine can reach it without --network."""
    found = _network(network, certificate, key)
    _refuse_taken_port(found.address if found else "127.0.0.1", port)
    from triage.app.serve import serve

    with contextlib.suppress(KeyboardInterrupt):  # the usual way to end it
        serve(port=port, open_browser=not no_browser, network=found)
    return 0


def _network(wanted: str | None, certificate: Path | None, key: Path | None) -> Network | None:
    if key and not certificate:
        raise TriageError(f"--key {key}: no certificate beside it; needed: --certificate FILE")
    if wanted is None:
        if certificate:
            needed = "needed: --network, or no certificate"
            raise TriageError(f"--certificate {certificate}: without --network nothing leaves this machine; {needed}")
        return None
    from triage.app.network.address import home_address
    from triage.app.network.certificate import read_certificate
    from triage.app.network.network import Network

    address, others = home_address(wanted)
    return Network(address, others, read_certificate(certificate, key) if certificate else None)


def _refuse_taken_port(address: str, port: int) -> None:
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((address, port))
        except OSError:
            raise TriageError(
                f"--port {port}: another program listens there; needed: a free port, for example "
                f"'triage app --port {port + 1 if port < _LAST_PORT else 8600}'"
            ) from None
