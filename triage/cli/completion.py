"""``triage completion``: a script that completes this program's words in a shell."""

from __future__ import annotations

import argparse

from triage.cli.command import RecordCommand


def _completion(arguments: argparse.Namespace) -> dict:
    from triage.cli.main import build_parser

    top = next(action for action in build_parser()._actions if isinstance(action, argparse._SubParsersAction))
    words = {name: _words_of(parser) for name, parser in top.choices.items()}
    return {"shell": arguments.shell, "script": _SCRIPTS[arguments.shell](words)}


def _words_of(parser: argparse.ArgumentParser) -> list[str]:
    found = []
    for action in parser._actions:
        found += [option for option in action.option_strings if option.startswith("--")]
        if isinstance(action, argparse._SubParsersAction):
            found += list(action.choices)
    return found


def _bash(words: dict[str, list[str]]) -> str:
    cases = "\n".join(f"    {name}) words='{' '.join(options)}' ;;" for name, options in words.items())
    return (
        '_triage() {\n  local words\n  if [ "$COMP_CWORD" = 1 ]; then words=\'' + " ".join(words) + "'; else\n"
        '  case "${COMP_WORDS[1]}" in\n' + cases + "\n  esac; fi\n"
        '  COMPREPLY=($(compgen -W "$words" -- "${COMP_WORDS[COMP_CWORD]}"))\n}\ncomplete -o default -F _triage triage'
    )


def _zsh(words: dict[str, list[str]]) -> str:
    return "autoload -U +X bashcompinit && bashcompinit\n" + _bash(words)


def _fish(words: dict[str, list[str]]) -> str:
    lines = [f"complete -c triage -n __fish_use_subcommand -a '{' '.join(words)}'"]
    for name, options in words.items():
        for option in options:
            how = f"-l {option[2:]}" if option.startswith("--") else f"-a {option}"
            lines.append(f"complete -c triage -n '__fish_seen_subcommand_from {name}' {how}")
    return "\n".join(lines)


_SCRIPTS = {"bash": _bash, "zsh": _zsh, "fish": _fish}
completion = RecordCommand(
    "completion",
    "print a script that completes this program's words in a shell",
    "examples:\n  triage completion bash >> ~/.bashrc\n",
    lambda parser: parser.add_argument("shell", choices=sorted(_SCRIPTS), help="the shell") and None,
    _completion,
    lambda a: a["script"],
)
