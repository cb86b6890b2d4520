"""What sorting a clutch answers, as frozen records that the command line and the app only have to show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from triage.genetics.clutch.posterior import CallChance, Posterior
from triage.proving.trays import Tray
from triage.records import Cross, Genotype, Sex
from triage.workflow.clutch import ClutchSheet, ReadPhoto
from triage.workflow.settings import Settings


@dataclass(frozen=True, slots=True)
class StruckOut:
    """A call that these parents cannot give, with the shortest true reason."""

    call: str
    reason: str


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another explanation of a reading that fits the records badly; ``bayes_factor`` is against "the records are right"."""

    explanation: str
    bayes_factor: float


@dataclass(frozen=True, slots=True)
class EggReport:
    """One hatchling after sorting.

    Attributes
    ----------
    calls
        Visual calls with a probability above 0, likeliest first; empty where no call is possible.
    label_text
        What a sale label may say today: no more than the records support.
    rests_on
        The observers the answer rests on, such as "photo", "keeper", "parents".
    moved_by
        The facts that moved the likeliest call's odds most, strongest first, in words; empty where that was not worked out.
    photo_remarks
        What is wrong with its photos, each with advice.
    reads_as
        Under check parents: what it reads best as, and why these parents cannot give that; None where nothing was named.
    shortlist
        Calls that photo and parents leave, likeliest first, made to hold the true one 95 % of the time (on drawn photos);
        empty without a readable photo.
    look_for
        What to look for to tell the remaining look-alikes apart.
    trade_name
        Trade combination name of the likeliest call where there is one, to be shown beside the genes.
    cautions
        Cautions that belong to the likeliest call.
    sharing
        What would differ if clutches were shared more often or less often, in words; empty where nothing does, only one sire
        is named, or it was not worked out.
    """

    label: str
    tray: Tray
    reasons: tuple[str, ...]
    sires: Mapping[str, float]
    sex: Mapping[Sex, float]
    calls: tuple[CallChance, ...]
    struck_out: tuple[StruckOut, ...]
    loci: Mapping[str, Mapping[Genotype, float]]
    label_text: str
    rests_on: tuple[str, ...]
    moved_by: tuple[str, ...] = ()
    photo_remarks: tuple[str, ...] = ()
    shortlist: tuple[str, ...] = ()
    look_for: tuple[str, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    trade_name: str = ""
    cautions: tuple[str, ...] = ()
    sharing: str = ""
    reads_as: StruckOut | None = None


@dataclass(frozen=True, slots=True)
class ParentReport:
    """What the clutch says of one parent: P(genotype) by locus before and after, and the news in plain words."""

    role: str
    name: str
    before: Mapping[str, Mapping[Genotype, float]]
    after: Mapping[str, Mapping[Genotype, float]]
    news: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ClutchReport:
    """A sorted clutch: what was sorted, with which settings and photos as they were read, and the answer.

    ``posterior`` is None where the readings contradict the cross altogether; ``log_evidence`` is -inf then.
    ``luck`` is one sentence; ``notes`` are remarks on the whole (contradictions, cautions, what it rests on).
    """

    sheet: ClutchSheet
    settings: Settings
    photos: tuple[tuple[ReadPhoto, ...], ...]
    eggs: tuple[EggReport, ...]
    parents: tuple[ParentReport, ...]
    log_evidence: float
    luck: str
    notes: tuple[str, ...]
    posterior: Posterior | None

    @property
    def cross(self) -> Cross:
        return self.sheet.cross

    def egg(self, label: str) -> EggReport | None:
        """What was said of one hatchling; None if there is none of that label."""
        return next((egg for egg in self.eggs if egg.label == label), None)
