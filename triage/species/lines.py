"""Looks of a line that nobody named: as seen, one look under the word that stands for all the lines."""

from __future__ import annotations

from collections.abc import Collection

from triage.records import Species, UnnamedLine, VisualCall


def open_lines(species: Species, loci: Collection[str]) -> tuple[UnnamedLine, ...]:
    """The words of a species that stand for one of these loci."""
    return tuple(one for one in species.unnamed_lines if set(one.loci) & set(loci))


def under_one_word(call: VisualCall, lines: Collection[UnnamedLine]) -> VisualCall:
    """The call with the looks of each of these lines as one, by the line's word, at the place of its first locus."""
    looks: list[tuple[str, str]] = []
    for locus, look in call.looks:
        line = next((one for one in lines if locus in one.loci), None)
        pair = (locus, look) if line is None else (line.loci[0], line.word)
        if pair not in looks:
            looks.append(pair)
    return VisualCall(tuple(looks))
