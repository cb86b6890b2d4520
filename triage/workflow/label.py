"""Sale labels from the records: a settled call, and hets no surer than papers, provings and everything seen support."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

from triage.errors import ContradictionError, StorageError
from triage.genetics.collection import (
    Animal,
    Collection,
    CollectionPosterior,
    at_most,
    chance_of_call,
    infer_collection,
    likeliest_look,
    looking,
    with_look,
)
from triage.proving.chances import percent
from triage.proving.label_text import label_text
from triage.proving.trays import Tray
from triage.records import Species, VisualCall
from triage.species import parse_call
from triage.species.hiding import shown, unseen_loci
from triage.storage.archive import Archive, Draft
from triage.storage.kinds import Animal as AnimalEntry
from triage.storage.kinds import Label
from triage.workflow.answers.line_words import lines_of
from triage.workflow.answers.report import ClutchReport
from triage.workflow.book import now, whom
from triage.workflow.known import Known, collection_of
from triage.workflow.recorded import newest_call
from triage.workflow.settings import Settings
from triage.workflow.sort_again import look_again
from triage.workflow.traits import seen_of

_NO_MOVE = 1e-4


@dataclass(frozen=True, slots=True)
class SaleLabel:
    """The label of one animal or hatched egg as the records support it now.

    Attributes
    ----------
    id, name
        Whose it is, and what its keeper calls it.
    text
        What may be promised; empty where nothing may.
    reason
        Why there is no label; empty where there is one.
    lines
        What was seen of it that is no known gene, parents, hatch date, the date of the call, and what it rests on.
    written
        The text of the label that was written last; empty if none was.
    buyer
        Who bought it; empty if nobody has.
    seen
        What was seen of it that is no known gene, each with its day; the first of the lines.
    """

    id: str
    name: str
    text: str
    reason: str
    lines: tuple[str, ...]
    rests_on: tuple[str, ...]
    written: str
    buyer: str
    seen: tuple[str, ...] = ()

    @property
    def whole(self) -> str:
        """The text with what was seen, as it is kept when it is written; empty where there is no label."""
        return "; ".join((self.text, *self.seen)) if self.text else ""

    @property
    def changed(self) -> bool:
        """Whether a label was written that says something else than the records do now."""
        return bool(self.written) and self.written != self.whole

    @property
    def is_new(self) -> bool:
        """Whether there is a label that has not been written yet as it stands."""
        return bool(self.text) and self.written != self.whole


def sale_labels(known: Known, ids: Iterable[str], *, writer: LabelWriter | None = None) -> tuple[SaleLabel, ...]:
    """The labels of some animals of the collection, in their order.

    A young of a clutch here has the label that sorting its clutch gives it now, with the bars of the clutch's last sort; any other
    has its keeper's newest call, if the records as a whole make it likely enough. A het is promised at the lesser of two chances:
    what papers, provings, laboratories, the looks of its forebears and its own look give, and what everything in the records gives.
    """
    writer = writer or LabelWriter(known)
    return tuple(writer.label(id) for id in ids)


def changed_labels(known: Known, ids: Iterable[str] | None = None, *, writer: LabelWriter | None = None) -> tuple[SaleLabel, ...]:
    """Labels that were written and no longer say what the records support; of some animals, or of all."""
    writer = writer or LabelWriter(known)
    wanted = known.animals if ids is None else ids
    return tuple(label for id in wanted if writer.written(id) and (label := writer.label(id)).changed)


def keep_labels(archive: Archive, labels: Sequence[SaleLabel], *, who: str = "keeper") -> int:
    """Enter labels as written, where their text is new; how many were."""
    new = [one for one in labels if one.is_new]
    if new:
        with archive.change(f"{len(new)} labels written", who=who) as draft:
            for one in new:
                _write(draft, one, one.id)
    return len(new)


def _write(draft: Draft, label: SaleLabel, about: str) -> None:
    draft.add(Label(about=about, text=label.whole, rests_on=label.rests_on, at=now()))


def sell(archive: Archive, known: Known, label: SaleLabel, buyer: str, *, who: str = "keeper") -> str:
    """Enter that an animal or hatched egg was sold, and the label it went with; one change. Returns the animal's id.

    A hatched egg becomes an animal, which is known from then on by its own id and still counts as that egg.
    """
    entry = known.book[label.id]
    with archive.change(f"{label.name} sold" + (f" to {buyer}" if buyer else ""), who=who) as draft:
        if entry.kind == "egg":
            sold = AnimalEntry(
                name=label.name,
                species=known.collection.species.name,
                sex=entry.content.sex or "unknown",
                egg=label.id,
                state="sold",
                buyer=buyer or None,
            )
            id = draft.add(sold)
        else:
            id = draft.put(entry, state="sold", buyer=buyer or None).id
        if label.is_new:
            _write(draft, label, id)
    return id


class LabelWriter:
    """Labels of one collection. `supported` is what may be promised from: laboratories, provings, and the looks of animals that have bred.

    With the `before` of an earlier writer (its `posterior`) only what changed since is computed, and `moved` says what that is.
    """

    def __init__(self, known: Known, before: CollectionPosterior | None = None) -> None:
        self.known = known
        self._before = before
        self._sorts: dict[str, ClutchReport] = {}
        self.species: Species = known.collection.species
        counts = lambda entry: entry.kind in ("outcome", "laboratory") and whom(entry) not in known.left_out  # noqa: E731
        proved = collection_of(known.clutches, self.species, counts)
        bred = {name for clutch in proved.clutches.values() for name in clutch.parents}
        animals = {name: self._as_seen(proved, one) if name in bred else one for name, one in proved.animals.items()}
        self.supported = Collection(self.species, animals, proved.clutches)

    @cached_property
    def posterior(self) -> CollectionPosterior:
        return infer_collection(self.supported, self._before)

    def moved(self) -> list[str]:
        """Animals whose supported chances differ from those before, by more than a label could round away."""
        before, after = self._before.loci if self._before is not None else {}, self.posterior.loci
        return [
            id
            for id, loci in after.items()
            if loci is not before.get(id)
            and any(
                abs(p - before.get(id, {}).get(locus, {}).get(genotype, 0.0)) > _NO_MOVE
                for locus, table in loci.items()
                for genotype, p in table.items()
            )
        ]

    def _as_seen(self, proved: Collection, animal: Animal) -> Animal:
        """An animal with its look as a fact, where it is settled: one that has bred has been looked at for years."""
        if animal.name not in self.known.book.entries:
            return animal
        if animal.clutch is not None:
            look = likeliest_look(self.known.collection, self.known.posterior, animal.name)
        else:
            call = newest_call(self.known.book, animal.name)
            if call is None:
                return animal
            look = shown(self.species, parse_call(self.species, call.content.call)[0])
        settled = at_most(self.known.collection, self.known.posterior, animal.name, look) >= Settings().label_threshold
        return looking(proved, animal.name, look) if settled else animal

    def written(self, id: str) -> str:
        """The text of the label that was written last; empty if none was."""
        labels = self.known.book.about(id, "label")
        return labels[-1].content.text if labels else ""

    def label(self, id: str) -> SaleLabel:
        if id not in self.known.animals:
            raise StorageError(f"{self.known.title(id)}: is no animal or hatched egg of the {self.species.name}")
        clutch = self.known.collection.animals[id].clutch
        call, rests_on, reason, day = self._of_its_papers(id) if clutch is None else self._of_its_clutch(id, clutch)
        bar = (Settings() if clutch is None else self.known.clutches.settings(clutch)).label_threshold
        text = self._of_lines(id, clutch) if clutch is not None and not reason else ""
        if call is not None and not reason and not text:
            known = (self.known.collection, self.known.posterior, id, call)
            chance = at_most(*known)
            if chance >= bar:
                chance = chance_of_call(*known)
            if chance < bar:
                reason = f"the call {call.name} is not settled: the records give it {percent(chance)}"
            else:
                text, reason = self._text(id, call)
        seen = seen_of(self.known.book, id)
        lines = [*seen, *self._origin(id)]
        if call is not None:
            told = {
                f"{by} of {one.content.at[:10]}": by
                for one in self.known.book.about(id, "outcome", "laboratory")
                for by in ["laboratory" if one.kind == "laboratory" else one.content.by or "proving"]
            }
            rests_on = (*(one for one in rests_on if one not in told.values()), *told)
            lines += [f"call {day}", "rests on " + ", ".join(rests_on)]
        buyer = getattr(self.known.book[id].content, "buyer", None) or ""
        return SaleLabel(id, self.known.title(id), text, reason, tuple(lines), rests_on, self.written(id), buyer, seen)

    def _of_its_papers(self, id: str) -> tuple[VisualCall | None, tuple[str, ...], str, str]:
        """Call, what it rests on, why there is none, and of when: of an animal from no clutch here."""
        call = newest_call(self.known.book, id)
        if call is None:
            return None, (), "nobody has called it: enter your own call with 'triage call add'", ""
        looks = list(dict.fromkeys(shown(self.species, look) for look in parse_call(self.species, call.content.call)))
        if len(looks) > 1:
            return None, (), f"the call {call.content.call} may be any of {len(looks)} that look the same", ""
        return looks[0], ("papers", "keeper's call"), "", f"of {call.content.at[:10]}, by the keeper"

    def _of_its_clutch(self, id: str, clutch: str) -> tuple[VisualCall | None, tuple[str, ...], str, str]:
        """The same of a young of a clutch here, by sorting the clutch as it stands."""
        if clutch not in self._sorts:
            self._sorts[clutch] = look_again(self.known.clutches, clutch, explain=False)
        content = self.known.book[id].content
        label = self.known.book[content.egg].content.label if isinstance(content, AnimalEntry) else content.label
        egg = self._sorts[clutch].egg(label)
        if egg is None or egg.tray is Tray.CHECK_PARENTS:
            return None, (), f"check its parents: {egg.reasons[0]}" if egg and egg.reasons else "it was not sorted", ""
        best = egg.calls[0]
        reason = "" if egg.label_text else f"the call {best.call.name} is not settled: the records give it {percent(best.probability)}"
        return best.call, egg.rests_on, reason, "by sorting its clutch"

    def _of_lines(self, id: str, clutch: str) -> str:
        """The label that sorting its clutch gives, where its parents leave open which line is meant: it speaks of several loci together."""
        posterior = self._sorts[clutch].posterior
        if posterior is None or not lines_of(posterior.model):
            return ""
        content = self.known.book[id].content
        egg = self._sorts[clutch].egg(self.known.book[content.egg].content.label if isinstance(content, AnimalEntry) else content.label)
        return egg.label_text

    def _text(self, id: str, call: VisualCall) -> tuple[str, str]:
        seen = with_look(self.supported, id, call)
        try:
            supported = infer_collection(seen, self.posterior, regroup=False).loci[id]
        except ContradictionError as error:
            return "", f"the records do not allow the call {call.name}: {error}"
        sex = self.supported.animals[id].sex
        known = self.known.posterior
        if unseen_loci(self.species, call):  # what a look hides is known only together with all else that it shows
            known = infer_collection(with_look(self.known.collection, id, call), known, regroup=False)
        return label_text(self.species, call, sex, supported, known.loci[id]), ""

    def _origin(self, id: str) -> tuple[str, ...]:
        clutch = self.known.collection.animals[id].clutch
        content = self.known.book[id].content
        if clutch is None:
            parts = [f"origin {content.origin}"] if content.origin else []
            return (*parts, f"hatched {content.hatched}" if content.hatched else "parents not recorded")
        of = self.known.collection.clutches[clutch]
        sires = " or ".join(self.known.name(sire) if isinstance(sire, str) else sire.name for sire in of.sires)
        hatched = self.known.book[clutch].content.hatched or "on a day not recorded"
        return (f"dam {self.known.name(of.dam)}; sire {sires}", f"hatched {hatched}")
