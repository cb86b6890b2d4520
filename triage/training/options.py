"""Options of the commands of training, declared once as the fields of a frozen record."""

from __future__ import annotations

import argparse
import shlex
from collections.abc import Mapping
from dataclasses import field, fields
from typing import Any, TypeVar

import torch

Record = TypeVar("Record")


def option(default: Any, words: str, **more: Any) -> Any:
    """A field of a record of options: its default and what it is for; `more` goes to argparse."""
    return field(default=default, metadata={"help": words, **more})


def add_options(parser: argparse.ArgumentParser, kind: type) -> None:
    """Give the parser an option for each field of a record; a field that is False by default is a switch."""
    for one in fields(kind):
        flag, known = "--" + one.name.replace("_", "-"), dict(one.metadata)
        if one.default is False:
            parser.add_argument(flag, action="store_true", **known)
        else:
            known["help"] = f"{known.get('help', '')} (default {one.default})".strip()
            parser.add_argument(flag, type=type(one.default), default=one.default, **known)


def record_of(kind: type[Record], given: argparse.Namespace) -> Record:
    """The record of options that a command line gave."""
    return kind(**{one.name: getattr(given, one.name) for one in fields(kind)})


def parse(kind: type[Record], command: str, words: str, argv: list[str] | None) -> Record:
    """The options of `python -m triage.training.COMMAND`, which has no others."""
    parser = argparse.ArgumentParser(prog=f"python -m triage.training.{command}", description=words.splitlines()[0])
    add_options(parser, kind)
    return record_of(kind, parser.parse_args(argv))


def command_line(command: str, values: Mapping[str, Any]) -> str:
    """`python -m triage.training.COMMAND` with these options; a switch that is off and an empty text are left out."""
    said = {name: value for name, value in values.items() if value is not False and value != ""}
    flags = (f"--{name.replace('_', '-')}" + ("" if value is True else f" {shlex.quote(str(value))}") for name, value in said.items())
    return " ".join([f"python -m triage.training.{command}", *flags])


def device_of(asked: str) -> str:
    """The device that is meant by "auto": a GPU where there is one."""
    return asked if asked != "auto" else "cuda" if torch.cuda.is_available() else "cpu"
