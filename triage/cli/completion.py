"""``triage completion``: a script that completes this program's words in a shell."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from triage.cli.command import answer, as_json, command

#: The script asks the program through this variable of the environment.
VARIABLE = "_TRIAGE_COMPLETE"


@command("completion", "  triage completion bash >> ~/.bashrc\n")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]), help="the shell")
@as_json
def completion(shell: str, as_json: bool) -> None:
    """Print a script that completes this program's words in a shell."""
    program = click.get_current_context().find_root()
    script = get_completion_class(shell)(program.command, {}, program.info_name, VARIABLE).source()
    answer({"shell": shell, "script": script}, lambda said: said["script"], as_json=as_json)
