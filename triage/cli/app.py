"""``triage app``: start the app in the browser of this machine, and of no other."""

from __future__ import annotations

import contextlib
import socket

import click

from triage.cli.command import command
from triage.errors import TriageError

_LAST_PORT = 65535


@command("app", "  triage app\n  triage app --port 8600 --no-browser\n")
@click.option("--port", type=click.IntRange(1024, _LAST_PORT), default=8501, show_default=True, help="port on localhost")
@click.option("--no-browser", is_flag=True, help="only serve; do not open a browser window")
def app(port: int, no_browser: bool) -> int:
    """Open the app in this machine's browser; no other machine can reach it."""
    _refuse_taken_port(port)
    from triage.app.serve import serve

    with contextlib.suppress(KeyboardInterrupt):  # the usual way to end it
        serve(port=port, open_browser=not no_browser)
    return 0


def _refuse_taken_port(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            raise TriageError(
                f"--port {port}: another program listens there; needed: a free port, for example "
                f"'triage app --port {port + 1 if port < _LAST_PORT else 8600}'"
            ) from None
