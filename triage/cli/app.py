"""``triage app``: start the app in the browser of this machine, and of no other."""

from __future__ import annotations

import argparse
import socket
import subprocess
import sys

from triage.cli.values import port
from triage.errors import TriageError

NAME = "app"
HELP = "open the app in this machine's browser; no other machine can reach it"
EXAMPLES = """\
examples:
  triage app
  triage app --port 8600 --no-browser
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--port", type=port, default=8501, metavar="PORT", help="port on localhost (8501)")
    parser.add_argument("--no-browser", action="store_true", help="only serve; do not open a browser window")


def run(arguments: argparse.Namespace) -> int:
    _refuse_taken_port(arguments.port)
    with subprocess.Popen(server_command(port=arguments.port, open_browser=not arguments.no_browser)) as server:
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.terminate()
            return 0


def server_command(*, port: int, open_browser: bool) -> list[str]:
    """The command that serves the app on ``localhost:port`` in a process of its own."""
    return [sys.executable, "-m", "triage.app", str(port), *([] if open_browser else ["--no-browser"])]


def _refuse_taken_port(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            raise TriageError(
                f"--port {port}: another program listens there; needed: a free port, for example "
                f"'triage app --port {port + 1 if port < 65535 else 8600}'"
            ) from None
