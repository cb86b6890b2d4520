"""Hostile clutch sheets, from a file or standard input: answered with chances that are chances, or refused in one line."""

from __future__ import annotations

import json
import math
import random
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import rich.console  # noqa: F401  (what every fork needs is loaded once)

import triage.cli.main
import triage.workflow.sort  # noqa: F401
from tests.hostile.harness import Attempt, judge, program
from triage.species import load_species, usual_species

load_species(usual_species())

FULL = 400
_GOOD = """\
species: ball python
mixed: 0.1
laid: 2031-03-14
other_loss: 0.1
dam:
  name: Juniper
  genes: pastel, 66% het clown
  laboratory: [{gene: clown, copies: 1, false_positive: 0.01, false_negative: 0.02}]
sires:
  - {name: Basil, genes: "enchi, het clown", share: 0.8}
  - {name: Thyme, offspring_of: {dam: het clown, sire: mojave}, share: 0.18}
  - {unrecorded: true, share: 0.02, background: 0.025}
linked: [{genes: [pastel, clown], recombination: 0.1}]
eggs:
  - label: A1
    sex: female
    call: pastel enchi
  - label: A2
    evidence:
      pastel: 0.7
      pastel enchi: 0.2
      otherwise: 0.01
  - label: A3
    hatched: false
"""
_VALUES = (
    ".nan", ".inf", "-.inf", "nan", "inf", "-1", "-0.0", "1.0000001", "2", "1e400", "1e-400", "5e-324", "1e300", "9" * 400, "9" * 5000, "0x10", "1_0",
    "true", "null", "~", "[]", "{}", "[[]]", "{a: {b: c}}", "''", '"\\0"', '"\\e[31m"', '"\\ud800"', '"\\U00110000"', "\u202eabc", "\U0001f40d",
    "=1+1", "'![x](http://x)'", "9999-12-31", "0001-01-01", "2031-02-30", "12:30:45", "!!python/object:os.system x", "!!binary aGVq", "&a x", "*a",
    "a" * 5000, "het " * 300, "-66% het clown", "166% het clown", "66%% het clown", "0% het clown", "66.5% het clown", "- 66% het clown",
    "pastel, " * 200, "../../../etc/passwd", "/dev/zero", "|\n  x", "normal", "%", "het", "\u0661\u0662%",
)  # fmt: skip


def attempts(n: int, seed: int, folder: Path) -> Iterator[Attempt]:
    """Sort one hostile sheet, ``n`` times over."""
    draw = random.Random(seed)
    for number in range(n):
        way = _WAYS[number % len(_WAYS)]
        data = way(draw)
        sheet = folder / f"{number}.yaml"
        sheet.write_bytes(data)
        by_file = draw.random() < 0.8
        words = ("sort", sheet.name, "--json") if by_file else ("sort", "-", "--json")
        ran = program(*words, cwd=folder, data=folder / "data", stdin=b"" if by_file else data)
        yield judge(f"{number} ({way.__name__.strip('_')})", ran, fault=_wrong(ran.out) if ran.status == 0 else "")
        sheet.unlink()


def _wrong(out: str) -> str:
    """What an answer must not hold."""
    for egg in json.loads(out)["eggs"]:
        chances = [call["probability"] for call in egg["calls"]]
        sure = [*chances, *egg["sires"].values(), *(call["parents_only"] for call in egg["calls"])]
        if not all(isinstance(p, float | int) and 0 <= p <= 1 + 1e-9 for p in sure):
            return f"a chance of {egg['label']} that is none: {sure}"
        if chances and not math.isclose(math.fsum(chances), 1, abs_tol=1e-6):
            return f"chances of {egg['label']} sum to {math.fsum(chances)}"
    return ""


def _value(draw: random.Random) -> bytes:
    """One value of the good sheet is another."""
    places = [m.span(1) for m in re.finditer(r": *([^\s,{}\[\]:][^,{}\[\]\n]*)", _GOOD)]
    start, end = draw.choice(places)
    return (_GOOD[:start] + draw.choice(_VALUES) + _GOOD[end:]).encode("utf-8", "surrogatepass")


def _several(draw: random.Random) -> bytes:
    text = _GOOD
    for _ in range(draw.randrange(2, 5)):
        number = draw.choice(re.findall(r"0\.\d+", text) or ["0.1"])
        text = text.replace(number, draw.choice(_VALUES[:20]), 1)
    return text.encode("utf-8", "surrogatepass")


def _key(draw: random.Random) -> bytes:
    keys = re.findall(r"(\w+):", _GOOD)
    return _GOOD.replace(draw.choice(keys) + ":", draw.choice((*_VALUES[:40], draw.choice(keys))) + ":", 1).encode("utf-8", "surrogatepass")


def _lines(draw: random.Random) -> bytes:
    """Lines gone, doubled, moved or indented otherwise."""
    lines = _GOOD.splitlines()
    for _ in range(draw.randrange(1, 4)):
        at = draw.randrange(len(lines))
        how = draw.randrange(4)
        if how == 0:
            del lines[at]
        elif how == 1:
            lines.insert(draw.randrange(len(lines)), lines[at])
        elif how == 2:
            lines[at] = " " * draw.randrange(1, 9) + lines[at]
        else:
            lines[at] = "\t" + lines[at].lstrip()
    return "\n".join(lines).encode()


def _cut(draw: random.Random) -> bytes:
    return _GOOD.encode()[: draw.randrange(len(_GOOD))]


def _bytes_changed(draw: random.Random) -> bytes:
    data = bytearray(_GOOD.encode())
    for _ in range(draw.choice((1, 1, 3, 20))):
        data[draw.randrange(len(data))] = draw.randrange(256)
    return bytes(data)


def _nested(draw: random.Random) -> bytes:
    depth = draw.choice((40, 100, 2_000, 200_000))
    inside = draw.choice((lambda: "[" * depth, lambda: "[" * depth + "]" * depth, lambda: "- " * depth, lambda: "{a: " * depth,
                          lambda: "".join(" " * n + "a:\n" for n in range(min(depth, 900)))))()  # fmt: skip
    descent = "{dam: normal, sire: " * min(depth, 300) + "normal" + "}" * min(depth, 300)
    return draw.choice((inside, _GOOD.replace("{dam: het clown, sire: mojave}", descent), _GOOD.replace("mixed: 0.1", f"mixed: {inside}"))).encode()


def _aliased(draw: random.Random) -> bytes:
    """Parts that stand for one another, to no end or to very many."""
    levels = draw.choice((3, 12, 40))
    bomb = "a0: &a0 {dam: normal, sire: normal}\n"
    bomb += "".join(f"a{n}: &a{n} {{dam: {{offspring_of: *a{n - 1}}}, sire: {{offspring_of: *a{n - 1}}}}}\n" for n in range(1, levels))
    descent = _GOOD.replace("{dam: het clown, sire: mojave}", f"*a{levels - 1}")
    return draw.choice((bomb + descent, "&a [*a]", "a: &a {b: *a}", _GOOD.replace("66% het clown", "&g het clown").replace("pastel enchi\n", "*g\n"),
                        _GOOD + "x: *nothing\n", _GOOD.replace("eggs:", "eggs: &e").replace("label: A3", "label: *e"))).encode()  # fmt: skip


def _encoded(draw: random.Random) -> bytes:
    text = _GOOD.replace("Juniper", "J\u00fcniper")
    return draw.choice((text.encode("utf-16"), text.encode("utf-16-le"), text.encode("utf-32"), text.encode("latin-1"), text.encode("utf-8-sig"),
                        text.encode("utf-7"), text.replace("\n", "\r").encode(), text.replace("\n", "\r\n").encode(), text.replace("\n", "\x85").encode()))  # fmt: skip


def _no_sheet(draw: random.Random) -> bytes:
    return draw.choice((b"", b"\n" * 9, b"---\n---\n", b"%YAML 9.9\n---\na", b"\0" * 4000, draw.randbytes(4000), b"\xff\xd8\xff\xe0" + draw.randbytes(400),
                        b"a" * 10_000_000, b"- a\n" * 2_500_000, b"#" * 999_999, b"'" * 5000, b'"' + b"a\n" * 4000, b"PK\x03\x04" + bytes(90), b"{", b"? ",
                        json.dumps({"species": "ball python"}).encode(), _GOOD.encode() * 2, _GOOD.encode() + b"...\n" + _GOOD.encode()))  # fmt: skip


def _large(draw: random.Random) -> bytes:
    """Long in every way a sheet can be, below a megabyte."""
    many = draw.choice((200, 2_000))
    return draw.choice((
        _GOOD.replace("    sex: female\n", "    laboratory: [" + ", ".join(["{gene: clown, copies: 1, false_positive: 0.4, false_negative: 0.4}"] * many) + "]\n"),
        _GOOD.replace("laid:", f"k{'k' * many}:"),
        _GOOD.replace("Juniper", "J" * (many * 4)),
        _GOOD + "".join(f"  - {{label: B{n}, call: pastel}}\n" for n in range(many // 2)),
        _GOOD.replace("    call: pastel enchi\n", f"    photos: [{', '.join(['x.jpg'] * many)}]\n"),
    )).encode()  # fmt: skip


_WAYS: tuple[Callable[[random.Random], bytes], ...] = (
    _value, _several, _value, _key, _lines, _value, _cut, _bytes_changed, _nested, _aliased, _value, _encoded, _no_sheet, _large,
)  # fmt: skip
