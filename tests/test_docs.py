"""What the documents promise of the command line is there."""

from pathlib import Path

import pytest

from triage.cli.main import COMMANDS, build_parser

README = Path(__file__).parent.parent / "README.md"


def options_of(module):
    """The long options of one command, taken from the parser itself."""
    commands = next(a for a in build_parser()._actions if a.dest == "command").choices
    return commands[module.NAME]._actions


def test_the_commands_are_the_ones_of_the_parser():
    assert [module.NAME for module in COMMANDS] == [
        "demo", "sort", "evidence", "genes", "hatch", "app", "animal", "pair", "clutch", "egg", "read", "call", "hold", "known", "plan",
        "outcome", "label", "note", "history", "undo", "export", "import", "backup", "restore", "verify", "completion",
    ]  # fmt: skip


@pytest.mark.parametrize("module", COMMANDS, ids=lambda m: m.NAME)
def test_every_command_and_option_has_help(module):
    assert len(module.HELP) > 20
    for action in options_of(module):
        assert action.help, f"triage {module.NAME}: {action.dest} has no help"


@pytest.mark.parametrize("module", COMMANDS, ids=lambda m: m.NAME)
def test_every_command_stands_in_the_readme(module):
    readme = README.read_text("utf-8")
    assert f"triage {module.NAME}" in readme or f"`{module.NAME}`" in readme
