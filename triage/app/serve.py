"""How the app is served: to this machine only, without usage statistics, in the project's own colours."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources

#: Nothing leaves the machine: no address but localhost, no statistics, no mail prompt, no button that publishes.
SERVER: Mapping[str, str] = {
    "server.address": "localhost",
    "server.showEmailPrompt": "false",
    "server.fileWatcherType": "none",
    "server.maxUploadSize": "64",
    "browser.gatherUsageStats": "false",
    "client.toolbarMode": "minimal",
}

#: Shale and moss by day, the same by night; every pair of text and ground meets WCAG 2.2 AA (tests/test_app.py).
THEME: Mapping[str, str] = {
    "theme.baseRadius": "0.35rem",
    "theme.buttonRadius": "0.35rem",
    "theme.paddingTop": "3.5rem",
    "theme.headingFontSizes": '["2rem", "1.5rem", "1.25rem"]',
    "theme.headingFontWeights": "[650, 650, 600]",
    "theme.showWidgetBorder": "true",
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


def streamlit_arguments(*, port: int, open_browser: bool) -> list[str]:
    """Arguments of the ``streamlit`` command that serves the app on ``localhost:port``."""
    options = {**SERVER, **THEME, "server.port": str(port), "server.headless": "false" if open_browser else "true"}
    main_page = resources.files("triage.app") / "main.py"
    return ["run", str(main_page), *(f"--{name}={value}" for name, value in options.items())]
