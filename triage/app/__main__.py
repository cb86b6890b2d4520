"""``python -m triage.app PORT [--no-browser]``: serve the app; ``triage app`` starts this."""

from __future__ import annotations

import sys

from streamlit.web import cli

from triage.app.serve import streamlit_arguments

if __name__ == "__main__":
    port, *rest = sys.argv[1:]
    sys.argv = ["streamlit", *streamlit_arguments(port=int(port), open_browser="--no-browser" not in rest)]
    sys.exit(cli.main())
