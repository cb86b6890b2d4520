"""What the commands that measure a reader work with: its files, the crosses it is shown, its cases."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from torch import Tensor

from triage.errors import ModelFileError
from triage.hatchery.domains import Domain
from triage.records import Species
from triage.species import load_species, usual_species
from triage.species.drawing import Looks, usual_looks
from triage.training.crosses import CrossTables, cross_tables
from triage.training.photos import draw_photos, draw_truth, photo_seeds
from triage.training.protocol import Case, read_batch, read_protocol
from triage.vision.network import ReaderNetwork, fuse
from triage.vision.vocabulary import Vocabulary, build
from triage.vision.weights import ModelFiles, load_model

_ANIMALS_AT_ONCE = 128
Part = TypeVar("Part")


def to_stderr() -> Callable[[str], None]:
    """A function that says how far a command is, with the seconds since now."""
    started = time.monotonic()

    def note(words: str) -> None:
        print(f"{time.monotonic() - started:6.1f} s  {words}", file=sys.stderr, flush=True)

    return note


@dataclass(frozen=True)
class Bench:
    """The reader of the usual species in a folder of models, and what it reads.

    `share` (number, of so many): the part of a measure that is asked for; `note` takes words on how far it is.
    """

    directory: Path
    device: str = "cpu"
    share: tuple[int, int] = (0, 1)
    note: Callable[[str], None] = field(default_factory=to_stderr)

    @cached_property
    def species(self) -> Species:
        return load_species(usual_species())

    @cached_property
    def looks(self) -> Looks:
        return usual_looks()

    @cached_property
    def vocabulary(self) -> Vocabulary:
        return build(self.species, self.looks)

    @cached_property
    def tables(self) -> CrossTables:
        return cross_tables(self.species, self.looks, self.vocabulary, self.device)

    @cached_property
    def files(self) -> ModelFiles:
        """The reader's files; ModelFileError if it was trained on other looks than those drawn now."""
        files = load_model(self.directory)
        if files.vocabulary != self.vocabulary:
            raise ModelFileError(f"{self.directory}: the catalogue's looks have changed since this model was trained; train anew.")
        return files

    @cached_property
    def network(self) -> ReaderNetwork:
        """The reader's network as it reads: its norms folded in."""
        return fuse(self.files.network.to(self.device))

    @cached_property
    def log_mix(self) -> Tensor:
        return self.files.log_mix.float().to(self.device)

    @cached_property
    def offsets(self) -> np.ndarray:
        """Where each locus' classes begin among all (n_loci,)."""
        return np.array(self.vocabulary.offsets)

    def shared(self, parts: Sequence[Part]) -> Sequence[Part]:
        """Those parts of a measure that fall to this run."""
        number, of = self.share
        return parts[number::of]

    def cases(
        self, recipe: str, photo_set: str, count: int, *, seed: int, px: int, domain: str | Domain, only_held_out: bool = False
    ) -> list[Case]:
        """`read_protocol` of the reader, saying how far it is."""
        named = f"{domain if isinstance(domain, str) else domain.name}: {recipe}, {photo_set}"
        return read_protocol(self.network, self.tables, self.log_mix, recipe, photo_set, count, seed=seed, px=px, domain=domain,
                             only_held_out=only_held_out, note=lambda n: self.note(f"{named}: {n} of {count} photos read"))  # fmt: skip

    def animals(self, first: int, count: int, photos: int, *, seed: int, px: int, domain: str | Domain) -> list[list[Case]]:
        """`count` animals of the twelve-gene recipe from number `first` on, with `photos` photos each."""
        found: list[list[Case]] = []
        for seeds in photo_seeds("several photos", first, count, seed, self.device).split(_ANIMALS_AT_ONCE):
            truth = draw_truth(self.tables, seeds, "twelve genes", keep_out=False)
            batches = [draw_photos(truth, px, domain=domain, photo=number) for number in range(photos)]
            read: list[Any] = [read_batch(self.network, self.tables, self.log_mix, batch) for batch in batches]
            found += [list(several) for several in zip(*read, strict=True)]
            self.note(f"{len(found)} of {count} animals read, {photos} photos each")
        return found
