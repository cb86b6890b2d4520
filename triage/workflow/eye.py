"""How good each observer's eye is, from calls that the records settled later; and the keeper's yes to sort with that.

The truth of a call is what parents, provings and laboratories alone say: no call of anybody and no photo counts towards it. A
call entered after the animal itself was proved or tested was not made blind, and is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from triage.errors import StorageError
from triage.genetics.collection import infer_collection, settled_look
from triage.genetics.eye import Confusion, EyeRates, Rate, SettledCall, confusions, eye_rates
from triage.records import Species
from triage.species import parse_call
from triage.storage.archive import Archive, Entry
from triage.storage.database import is_there
from triage.storage.kinds import Eye
from triage.workflow.book import Book, now, open_archive
from triage.workflow.known import collection_of
from triage.workflow.recorded import KEEPER, Clutches, with_eye
from triage.workflow.settings import Settings

#: A look is settled where it is at least this likely; a laboratory's error rates seldom leave more.
SETTLED = 0.99
_SETTLES = ("laboratory", "outcome")
NONE_SETTLED = "No call was settled yet: a proving, a laboratory, or parents that leave one look settle one."


@dataclass(frozen=True, slots=True)
class Settled:
    """One call that was settled: of which egg or animal (id and title), and whether that was itself proved or tested."""

    id: str
    title: str
    call: SettledCall
    itself: bool


@dataclass(frozen=True, slots=True)
class ObserverEye:
    """An observer with the rates of their calls, the confusions, most frequent first, and the calls that these rest on."""

    by: str
    rates: EyeRates
    confusions: tuple[Confusion, ...]
    settled: tuple[Settled, ...]


def eyes_of(archive: Archive) -> tuple[ObserverEye, ...]:
    """Every observer of whose calls some were settled, all species together; `Call.by` says who called."""
    clutches = Clutches(Book.of(archive))
    found: dict[str, list[Settled]] = {}
    for name in dict.fromkeys(one.content.species for one in clutches.book.all("animal")):
        for by, one in _settled(clutches, clutches.book.species_named(name)):
            found.setdefault(by, []).append(one)
    usual = {"accuracy": Settings().keeper_accuracy, "lookalike_share": Settings().lookalike_share}
    eyes = []
    for by, own in found.items():
        calls = [one.call for one in own]
        eyes.append(ObserverEye(by, eye_rates(calls, **usual), confusions(calls, **usual), tuple(own)))
    return tuple(eyes)


def take_eye(archive: Archive, *, who: str = "keeper") -> Entry:
    """The keeper's yes: from now on clutches are sorted with the rates learnt so far; undone as any change is.

    StorageError where no call of the keeper's was settled.
    """
    rates = next((one.rates for one in eyes_of(archive) if one.by == KEEPER), None)
    if rates is None:
        needed = "a proving, a laboratory, or parents that leave one look"
        raise StorageError(f"eye: no call of the keeper's was settled yet; needed: {needed}")
    accuracy, share = rates.accuracy.mean, rates.lookalike_share.mean
    with archive.change(f"sorted with the eye of {rates.calls} settled calls from now on", who=who) as draft:
        id = draft.add(Eye(by=KEEPER, accuracy=accuracy, lookalike_share=share, calls=rates.calls, at=now()))
    return archive.find(id)


def keepers_settings(settings: Settings | None = None) -> Settings:
    """Settings (the usual ones where none are given) with the rates that the keeper last said yes to, where there are records."""
    settings = settings or Settings()
    if not is_there():
        return settings
    try:
        return with_eye(Book.of(open_archive()), settings)
    except StorageError:  # a sheet is sorted without them, which `keepers_species` warns of
        return settings


def eye_words(eye: ObserverEye) -> tuple[str, ...]:
    """An observer's eye in sentences."""
    who, whose = ("you", "your") if eye.by == KEEPER else (eye.by, f"{eye.by}'s")
    rates = eye.rates
    return (
        f"{who} had {rates.right} of {rates.calls} settled calls right: accuracy {_range(rates.accuracy)}",
        f"of {whose} mistakes, a look-alike was taken for it: {_range(rates.lookalike_share)}",
        *(
            f"{who} took {one.k} of {one.n} {one.true.name} for {one.taken_for.name}: {_range(one.rate)}"
            for one in eye.confusions
        ),
    )


def _settled(clutches: Clutches, species: Species) -> Iterator[tuple[str, Settled]]:
    """Each observer's last blind call of every young whose look is settled without it."""
    book = clutches.book
    collection = collection_of(clutches, species, lambda entry: entry.kind in _SETTLES)
    posterior = infer_collection(collection)
    for id, animal in collection.animals.items():
        if not animal.hatched or animal.clutch is None:
            continue
        calls, itself = _blind_calls(book, id)
        true = settled_look(collection, posterior, id, SETTLED) if calls else None
        for by, words in calls.items() if true is not None else ():
            call = SettledCall(species, parse_call(species, words), true, clutches.choices(animal.clutch))
            yield by, Settled(id, book.title(id), call, itself)


def _blind_calls(book: Book, id: str) -> tuple[dict[str, str], bool]:
    """The last call of each observer before the animal itself was proved or tested; and whether it ever was."""
    calls: dict[str, str] = {}
    for entry in book.about(id, "call", *_SETTLES):
        if entry.kind in _SETTLES:
            return calls, True
        calls[entry.content.by] = entry.content.call
    return calls, False


def _range(rate: Rate) -> str:
    return f"{100 * rate.mean:.0f} % (95 % within {100 * rate.low:.0f} to {100 * rate.high:.0f} %)"
