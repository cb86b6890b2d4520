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
    chance_of_call,
    infer_collection,
    looking,
    with_look,
)
from triage.proving.labels import label_text
from triage.proving.trays import percent
from triage.records import Species, VisualCall
from triage.species import parse_call
from triage.storage.archive import Archive, Draft, Entry
from triage.workflow.known import Known, collection_of
from triage.workflow.records import now, whom
from triage.workflow.settings import Settings

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
        Parents, hatch date, the date of the call, and what it rests on.
    written
        The text of the label that was written last; empty if none was.
    buyer
        Who bought it; empty if nobody has.
    """

    id: str
    name: str
    text: str
    reason: str
    lines: tuple[str, ...]
    rests_on: tuple[str, ...]
    written: str
    buyer: str

    @property
    def changed(self) -> bool:
        """Whether a label was written that says something else than the records do now."""
        return bool(self.written) and self.written != self.text

    @property
    def is_new(self) -> bool:
        """Whether there is a label that has not been written yet as it stands."""
        return bool(self.text) and self.written != self.text


def ids_of(archive: Archive, known: Known, named: Sequence[str]) -> list[str]:
    """Animals and hatched eggs by their ids, a clutch standing for its young; StorageError for what is neither."""
    found: list[str] = []
    for id in named:
        if archive.find(id).kind == "clutch":
            found += [name for name, animal in known.collection.animals.items() if animal.clutch == id]
        elif id in known.collection.animals:
            found.append(id)
        else:
            young = [a for a in known.collection.animals if known.entries[a].get("egg") == id]
            if not young:
                raise StorageError(
                    f"{id}: is no clutch, animal or hatched egg of the {known.collection.species.name}; "
                    "'triage clutch list' and 'triage known' list them"
                )
            found += young
    return found


def sale_labels(
    known: Known, ids: Iterable[str], *, writer: LabelWriter | None = None
) -> tuple[SaleLabel, ...]:
    """The labels of some animals of the collection, in their order.

    A het is promised at the lesser of two chances: what papers, provings, the looks of its forebears and its own look give, and what
    everything in the records gives. The call is the newest: the keeper's, or the sorter's where that settled it; it has to be likely enough
    by the records as a whole (`Settings.label_threshold`), or there is no label.
    """
    writer = writer or LabelWriter(known)
    return tuple(writer.label(id) for id in ids)


def changed_labels(
    known: Known, ids: Iterable[str] | None = None, *, writer: LabelWriter | None = None
) -> tuple[SaleLabel, ...]:
    """Labels that were written and no longer say what the records support; of some animals, or of all."""
    writer = writer or LabelWriter(known)
    wanted = known.collection.animals if ids is None else ids
    return tuple(label for id in wanted if writer.was_written(id) and (label := writer.label(id)).changed)


def keep_labels(archive: Archive, labels: Sequence[SaleLabel], *, who: str = "keeper") -> int:
    """Enter labels as written, where their text is new; how many were."""
    new = [one for one in labels if one.is_new]
    if new:
        with archive.change(f"{len(new)} labels written", who=who) as draft:
            for one in new:
                _write(draft, one, one.id)
    return len(new)


def _write(draft: Draft, label: SaleLabel, about: str) -> None:
    draft.add("label", {"about": about, "text": label.text, "rests_on": list(label.rests_on), "at": now()})


def sell(archive: Archive, known: Known, label: SaleLabel, buyer: str, *, who: str = "keeper") -> str:
    """Enter that an animal or hatched egg was sold, and the label it went with; one change. Returns the animal's id.

    A hatched egg becomes an animal, which is known from then on by its own id and still counts as that egg.
    """
    entry = known.entries[label.id]
    species = known.collection.species.name
    with archive.change(f"{label.name} sold", who=who) as draft:
        if entry.kind == "egg":
            sex = entry.get("sex", "unknown")
            sold = {"name": label.name, "species": species, "sex": sex, "egg": label.id, "state": "sold", "buyer": buyer or None}
            id = draft.add("animal", sold)
        else:
            id = draft.put(entry, state="sold", buyer=buyer or None).id
        if label.is_new:
            _write(draft, label, id)
    return id


class LabelWriter:
    """Labels of one collection. `supported` is what may be promised from: provings, and the looks of animals that have bred.

    With the `before` of an earlier writer (its `posterior`) only what changed since is computed, and `moved` says what that is.
    """

    def __init__(self, known: Known, before: CollectionPosterior | None = None) -> None:
        self.known = known
        self._before = before
        self.species: Species = known.collection.species
        self._of: dict[tuple[str, str], list[Entry]] = {}
        for entry in known.entries.values():
            about = whom(entry)
            if entry.kind in ("call", "label", "outcome") and about is not None:
                self._of.setdefault((entry.kind, about), []).append(entry)
        proved = collection_of(known.entries.values(), self.species, lambda entry: entry.kind == "outcome")
        bred = {name for clutch in proved.clutches.values() for name in (clutch.dam, *clutch.sires)}
        animals = {name: self._as_seen(one) if name in bred else one for name, one in proved.animals.items()}
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

    def _as_seen(self, animal: Animal) -> Animal:
        """An animal with its look as a fact, where it is settled: one that has bred has been looked at for years."""
        call = self._call(animal.name)
        if call is None:
            return animal
        look = parse_call(self.species, call["call"])[0]
        settled = self._at_most(animal.name, look) >= Settings().label_threshold
        return looking(animal, look) if settled else animal

    def was_written(self, id: str) -> bool:
        return bool(self._entries("label", id))

    def label(self, id: str) -> SaleLabel:
        if id not in self.known.collection.animals:
            raise StorageError(f"{id}: is no animal or hatched egg of the {self.species.name}; 'triage known' lists them")
        entry = self.known.entries[id]
        written = self._entries("label", id)
        text, reason, lines, rests_on = "", "", list(self._origin(id)), ()
        call = self._call(id)
        if call is None:
            reason = "no call is settled: sort the clutch, or enter your own with 'triage call add'"
        else:
            look = parse_call(self.species, call["call"])[0]
            rests_on = self._rests_on(id, call)
            lines += [f"call of {call['at'][:10]}, by {call['by'].split(' (')[0]}", "rests on " + ", ".join(rests_on)]
            chance = self._at_most(id, look)
            if chance >= Settings().label_threshold:
                chance = chance_of_call(self.known.collection, self.known.posterior, id, look)
            if chance < Settings().label_threshold:
                reason = f"the call {look.name} is not settled: the records give it {percent(chance)}"
            else:
                text, reason = self._text(id, look)
        newest = written[-1]["text"] if written else ""
        return SaleLabel(id, self.known.title(id), text, reason, tuple(lines), rests_on, newest, entry.get("buyer", ""))

    def _entries(self, kind: str, id: str) -> list[Entry]:
        """Entries about an animal, and about the egg it was, oldest first."""
        found = self._of.get((kind, id), [])
        egg = self.known.entries[id].get("egg")
        return sorted([*self._of.get((kind, egg), []), *found] if egg else found, key=lambda one: one["at"])

    def _call(self, id: str) -> Entry | None:
        """The call that counts: the keeper's if it is newer than the last label, or the sorter's that the label was written for."""
        calls, labels = self._entries("call", id), self._entries("label", id)
        own = [one for one in calls if one["by"] == "keeper"]
        if own and (not labels or own[-1]["at"] > labels[-1]["at"]):
            return own[-1]
        by_sorter = [one for one in calls if one["by"] != "keeper" and labels and one["at"] <= labels[-1]["at"]]
        return (by_sorter or own or [None])[-1]

    def _at_most(self, id: str, call: VisualCall) -> float:
        """At most how likely the call is by all records: the least likely of its looks, locus by locus."""
        least = 1.0
        for name in {*self.known.posterior.loci[id], *(locus for locus, _ in call.looks)}:
            locus = self.species.locus(name)
            table = self.known.posterior.loci[id].get(name)
            if table is None:
                least = 0.0  # it can only be wild type there
                continue
            least = min(least, sum(p for genotype, p in table.items() if locus.look(genotype) == call.look(name)))
        return least

    def _text(self, id: str, call: VisualCall) -> tuple[str, str]:
        seen = with_look(self.supported, id, call)
        try:
            supported = infer_collection(seen, self.posterior, regroup=False).loci[id]
        except ContradictionError as error:
            return "", f"the records do not allow the call {call.name}: {error}"
        sex = self.supported.animals[id].sex
        return label_text(self.species, call, sex, supported, self.known.posterior.loci[id]), ""

    def _origin(self, id: str) -> tuple[str, ...]:
        clutch = self.known.collection.animals[id].clutch
        entry = self.known.entries[id]
        if clutch is None:
            parts = [f"origin {entry['origin']}"] if "origin" in entry.content else []
            return (*parts, f"hatched {entry['hatched']}" if "hatched" in entry.content else "parents not recorded")
        of = self.known.collection.clutches[clutch]
        sires = " or ".join(self.known.name(sire) for sire in of.sires)
        hatched = self.known.entries[clutch].get("hatched", "on a day not recorded")
        return (f"dam {self.known.name(of.dam)}; sire {sires}", f"hatched {hatched}")

    def _rests_on(self, id: str, call: Entry) -> tuple[str, ...]:
        labels = [one for one in self._entries("label", id) if one["at"] >= call["at"]]
        found = list(labels[-1].get("rests_on", ())) if labels else []
        if not found:
            found = ["parents" if self.known.collection.animals[id].clutch else "papers", "keeper's call"]
        found += [f"{one.get('by', 'proving')} of {one['at'][:10]}" for one in self._entries("outcome", id)]
        return tuple(dict.fromkeys(found))
