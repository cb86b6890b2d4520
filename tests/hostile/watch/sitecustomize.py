"""With this folder on ``PYTHONPATH``, every address that a process connects to or looks up is a line of the file ``WATCHED`` names."""

import os
import sys

_WATCHED = os.environ.get("WATCHED")


def _watch(event, told):
    if event in ("socket.connect", "socket.sendto", "socket.getaddrinfo", "socket.gethostbyname"):
        with open(_WATCHED, "a") as file:
            print(event, told[1] if event in ("socket.connect", "socket.sendto") else told[0], file=file)


if _WATCHED:
    sys.addaudithook(_watch)
