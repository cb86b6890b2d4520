"""What the documents promise of the command line is there."""

from pathlib import Path

import click
import pytest

from triage.cli.main import cli

README = Path(__file__).parent.parent / "README.md"


def with_verbs(command):
    return [command, *(command.commands.values() if isinstance(command, click.Group) else ())]


def test_the_commands_are_those_of_the_program():
    assert list(cli.commands) == [
        "demo", "sort", "keep", "evidence", "genes", "gene", "hatch", "app", "animal", "pair", "clutch", "egg", "read", "call",
        "trait", "hold", "today", "known", "suspicions", "eye", "plan", "outcome", "laboratory", "label", "note", "history", "undo",
        "export", "import", "backup", "restore", "verify", "completion",
    ]  # fmt: skip


@pytest.mark.parametrize("name", cli.commands)
def test_every_command_argument_and_option_has_help(name):
    assert len(cli.commands[name].help) > 20
    for command in with_verbs(cli.commands[name]):
        assert command.help, f"triage {name} {command.name}"
        for param in command.params:
            assert param.help, f"triage {name} {command.name}: {param.name} has no help"


@pytest.mark.parametrize("name", cli.commands)
def test_every_command_stands_in_the_readme(name):
    readme = README.read_text("utf-8")
    assert f"triage {name}" in readme or f"`{name}`" in readme


def test_the_readme_names_the_species_and_whose_photos_are_read():
    from triage.species import load_species, species_names
    from triage.species.shipped import reader_files

    line = next(line for line in README.read_text("utf-8").splitlines() if line.startswith("Species known: "))
    assert all(name in line for name in species_names())
    read = [name for name in species_names() if reader_files(load_species(name).key) is not None]
    assert read == ["ball python"] and "only the ball python's photos are read" in line


def test_the_published_shares_of_the_readme_are_those_of_the_catalogue():
    from triage.species import load_species, species_names

    for name in species_names():
        shares = [one.share for one in load_species(name).published_shares]
        assert (min(shares), max(shares), load_species(name).mixed) == (0.31, 0.88, 0.5)
    assert "it is 0.5; published shares run from 31 % to 88 %" in README.read_text("utf-8")
