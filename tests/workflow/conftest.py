"""What tests of several workflows share."""

import pytest
from streamlit.testing.v1 import AppTest

import triage.app


@pytest.fixture
def opened_page(monkeypatch, tmp_path):
    """Opens a page of the app by its folder's name, in a new session over records of its own."""
    monkeypatch.setenv("TRIAGE_DATA", str(tmp_path / "data"))
    main_page = next(iter(triage.app.__path__)) + "/main.py"
    return lambda name: AppTest.from_file(main_page, default_timeout=60).run().switch_page(f"pages/{name}/page.py").run()
