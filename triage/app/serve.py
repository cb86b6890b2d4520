"""How the app is served: to this machine only, or to a network behind a gate; without statistics, in its own colours."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator, Mapping
from importlib import resources
from tempfile import TemporaryDirectory
from typing import Any

from triage.app.doors import Doors, loopback_hosts
from triage.app.network.gate import Gate
from triage.app.network.keys import Keys
from triage.app.network.network import Network

#: Nothing leaves the machine: no address but its own, no statistics, no page elsewhere that may speak to ours.
SERVER: Mapping[str, Any] = {
    "server.address": "127.0.0.1",
    "server.fileWatcherType": "none",
    "server.maxUploadSize": 64,
    "browser.serverAddress": "localhost",
    "browser.gatherUsageStats": False,
    "client.allowedOrigins": [],
    "client.showErrorLinks": False,
    "client.toolbarMode": "minimal",
}

#: Shale and moss by day, the same by night; every pair of text and ground meets WCAG 2.2 AA (tests/test_app.py).
THEME: Mapping[str, Any] = {
    "theme.baseRadius": "0.35rem",
    "theme.buttonRadius": "0.35rem",
    "theme.paddingTop": "3.5rem",
    "theme.headingFontSizes": ["2rem", "1.5rem", "1.25rem"],
    "theme.headingFontWeights": [650, 650, 600],
    "theme.showWidgetBorder": True,
    "theme.light.primaryColor": "#2b6350",
    "theme.light.backgroundColor": "#f6f7f4",
    "theme.light.secondaryBackgroundColor": "#e8ebe4",
    "theme.light.textColor": "#1c2421",
    "theme.light.borderColor": "#c3cac0",
    "theme.dark.primaryColor": "#6fbf9f",
    "theme.dark.backgroundColor": "#151a18",
    "theme.dark.secondaryBackgroundColor": "#1f2623",
    "theme.dark.textColor": "#e6eae5",
    "theme.dark.borderColor": "#3b4540",
}


def serve(*, port: int, open_browser: bool, network: Network | None = None) -> None:
    """Serve the app in this process until it is ended: on ``localhost:port`` alone, or on the address of a network alone."""
    with _no_configuration():
        import streamlit as st
        from starlette.middleware import Middleware
        from streamlit import config
        from streamlit.cli_util import open_browser as show
    config.get_config_files = lambda name: []  # neither now nor while it runs, secrets included

    if network:
        keys, server, url = Keys(), network.server, f"{network.scheme}://{network.host}:{port}"
        doors = Middleware(Doors, hosts=network.hosts(port), scheme=network.scheme)
        guards = [doors, Middleware(Gate, keys=keys, secure=network.scheme == "https")]
    else:
        server, url = {}, f"http://localhost:{port}"
        guards = [Middleware(Doors, hosts=loopback_hosts(port))]

    @contextlib.asynccontextmanager
    async def opened(_app) -> Any:
        if network:
            print(network.announcement(keys, port, terminal=sys.stdout.isatty(), encoding=sys.stdout.encoding), flush=True)
        if open_browser:
            show(url)
        yield

    main_page = str(resources.files("triage.app") / "main.py")
    sys.argv = [main_page]  # what Streamlit takes for the script that was started
    app = st.App(main_page, middleware=guards, lifespan=opened)
    app.run(config={**SERVER, **server, **THEME, "server.port": port, "browser.serverPort": port})


@contextlib.contextmanager
def _no_configuration() -> Iterator[None]:
    """Streamlit reads its files and variables while it is imported, and one of them can name a theme on another server."""
    for name in [name for name in os.environ if name.startswith("STREAMLIT_")]:
        del os.environ[name]
    os.environ["FORWARDED_ALLOW_IPS"] = ""  # no client says for another where it comes from
    homes = {name: os.environ.get(name) for name in ("HOME", "USERPROFILE")}
    with TemporaryDirectory() as nowhere, contextlib.chdir(nowhere):
        os.environ.update(dict.fromkeys(homes, nowhere))
        try:
            yield
        finally:
            for name, was in homes.items():
                os.environ.pop(name) if was is None else os.environ.update({name: was})
