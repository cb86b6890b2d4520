"""The looks a photo model can tell apart: per locus, classes of look words that share one appearance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from triage.errors import ModelFileError, UnknownNameError
from triage.records import Genotype, Locus, Species, VisualCall
from triage.species.drawing import NORMAL, Looks, pair

Call = VisualCall | Mapping[str, str]


@dataclass(frozen=True)
class LocusClasses:
    """Appearance classes of one locus: look words that no photo can tell apart stand together; class 0 is wild."""

    locus: str
    classes: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Vocabulary:
    """Every locus with its classes, in the order of the network's outputs."""

    species: str
    loci: tuple[LocusClasses, ...]

    @cached_property
    def n_classes(self) -> tuple[int, ...]:
        return tuple(len(locus.classes) for locus in self.loci)

    @cached_property
    def offsets(self) -> tuple[int, ...]:
        """Where each locus starts in the flat list of all classes."""
        return tuple(np.concatenate([[0], np.cumsum(self.n_classes)[:-1]]).tolist())

    @property
    def n_total(self) -> int:
        return sum(self.n_classes)

    @cached_property
    def class_of(self) -> Mapping[str, Mapping[str, int]]:
        """Locus -> look word -> class."""
        return {
            locus.locus: {look: number for number, looks in enumerate(locus.classes) for look in looks}
            for locus in self.loci
        }

    def encode(self, calls: Sequence[Call]) -> np.ndarray:
        """Classes int64 (n_calls, n_loci); UnknownNameError names a locus or look the model never learnt."""
        place = {locus.locus: number for number, locus in enumerate(self.loci)}
        codes = np.zeros((len(calls), len(self.loci)), np.int64)
        for row, call in enumerate(calls):
            for locus, look in dict(call.looks if isinstance(call, VisualCall) else call).items():
                if locus not in place:
                    known = ", ".join(place)
                    raise UnknownNameError(f"The photo model does not know the locus '{locus}'; it knows: {known}.")
                if look not in self.class_of[locus]:
                    known = ", ".join(w for w in self.class_of[locus] if w)
                    raise UnknownNameError(
                        f"The photo model does not know the look '{look}' at '{locus}'; it knows: {known}."
                    )
                codes[row, place[locus]] = self.class_of[locus][look]
        return codes

    def unlearnt(self, calls: Sequence[VisualCall]) -> tuple[str, ...]:
        """Look words of some calls that have no class, each once."""
        looks = dict.fromkeys(look for call in calls for look in call.looks)
        return tuple(word for locus, word in looks if word not in self.class_of.get(locus, {}))

    def projected(self, call: VisualCall) -> tuple[VisualCall, ...]:
        """Calls of known looks that stand for a call: itself where every look was learnt.

        A look at a locus that was never learnt falls away; an unknown look of a known locus may be any of the looks learnt there.
        """
        choices: list[list[tuple[str, str]]] = [[]]
        for locus, look in call.looks:
            classes = self.class_of.get(locus)
            if classes is None:
                continue
            words = [look] if look in classes else [members[0] for members in self._classes_of(locus)]
            choices = [[*so_far, (locus, word)] for so_far in choices for word in words]
        return tuple(VisualCall(tuple(pair for pair in pairs if pair[1])) for pairs in choices)

    def _classes_of(self, locus: str) -> tuple[tuple[str, ...], ...]:
        return next(one.classes for one in self.loci if one.locus == locus)

    def names(self) -> list[str]:
        """One readable name per flat class, for reports: ``pastel: super pastel``."""
        return [f"{x.locus}: {' or '.join(w or 'wild' for w in c)}" for x in self.loci for c in x.classes]

    def to_json(self) -> list[dict[str, Any]]:
        return [{"locus": locus.locus, "classes": [list(c) for c in locus.classes]} for locus in self.loci]

    @classmethod
    def from_json(cls, species: str, entries: Any, place: str) -> Vocabulary:
        """Read what `to_json` wrote; ModelFileError names `place` if it is not that."""
        try:
            loci = tuple(
                LocusClasses(str(e["locus"]), tuple(tuple(map(str, c)) for c in e["classes"])) for e in entries
            )
        except (KeyError, TypeError) as error:
            raise ModelFileError(f"{place}: 'classes' is not a list of loci with classes ({error}).") from error
        if not loci or any(not x.classes or "" not in x.classes[0] for x in loci):
            raise ModelFileError(f"{place}: every locus needs classes, the first of them the wild look.")
        return cls(species, loci)


def build(species: Species, looks: Looks) -> Vocabulary:
    """The vocabulary of a catalogue: pairs of alleles fall together where no photo can tell them apart.

    They do where the look word is the same, where the drawing is the same, and where the catalogue lists look words
    as one appearance or as a pair that only breeding tells.
    """
    return Vocabulary(
        species.key, tuple(_locus_classes(species, species.locus(locus.name), looks) for locus in looks.loci)
    )


def class_table(vocabulary: Vocabulary, species: Species, looks: Looks) -> np.ndarray:
    """Class int64 (n_loci, most alleles, most alleles) of every pair of alleles, both numbered as in `looks`."""
    most = max(len(locus.alleles) for locus in looks.loci)
    table = np.zeros((len(looks.loci), most, most), np.int64)
    for number, drawn in enumerate(looks.loci):
        locus = species.locus(drawn.name)
        for i, first in enumerate(drawn.alleles):
            for j, second in enumerate(drawn.alleles):
                table[number, i, j] = vocabulary.class_of[drawn.name][locus.look(Genotype(first, second))]
    return table


def _locus_classes(species: Species, locus: Locus, looks: Looks) -> LocusClasses:
    drawn = looks.locus(locus.name)
    pairs = [pair(a, b) for i, a in enumerate(drawn.alleles) for b in drawn.alleles[i:]]
    word = {p: locus.look(Genotype(*p)) for p in pairs}
    group = {w: {w} for w in dict.fromkeys(word.values())}

    def join(words: Sequence[str]) -> None:
        merged = set().union(*(group[w] for w in words if w in group))
        for w in merged:
            group[w] = merged

    by_drawing: dict[tuple[Any, ...], list[str]] = {}
    for p in pairs:
        key = (tuple(sorted(drawn.effects[p].items())), tuple(sorted(drawn.aged.get(p, {}).items())))
        by_drawing.setdefault(key, []).append(word[p])
    for words in by_drawing.values():
        join(words)
    for appearance in species.appearances:
        if appearance.locus == locus.name:
            join(sorted(appearance.looks))
    for alike in species.lookalikes:
        one, two = dict(alike.first.looks), dict(alike.second.looks)
        if not alike.photo_can_tell and set(one) == set(two) == {locus.name}:
            join([one[locus.name], two[locus.name]])
    order = list(dict.fromkeys(["", *word.values()]))
    classes: list[tuple[str, ...]] = []
    for w in order:
        members = tuple(x for x in order if x in group.get(w, {w}))
        if members not in classes:
            classes.append(members)
    if word[pair(NORMAL, NORMAL)] != "":
        raise ValueError(f"{locus.name}: the wild type has the look word {word[pair(NORMAL, NORMAL)]!r}")
    return LocusClasses(locus.name, tuple(classes))
