"""Sort a clutch: from a sheet with photos and parents to trays with reasons."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from triage.errors import WorkTooLargeError
from triage.genetics.clutch.alternatives import explanations
from triage.genetics.clutch.exact import check_work, clashing_eggs, infer
from triage.genetics.clutch.impossible import impossible_near, why_impossible
from triage.genetics.clutch.influence import odds_in_words, strongest_facts
from triage.genetics.clutch.losses import expected_losses
from triage.genetics.clutch.model import CrossModel, compile_cross
from triage.genetics.clutch.posterior import CallChance, Posterior
from triage.genetics.readings import photo_reading, shots
from triage.proving.chances import percent
from triage.proving.label_text import label_text
from triage.proving.trays import Hidden, Tray, TrayChoice, choose_tray, shown_calls
from triage.records import (
    CallReading,
    Egg,
    Genotype,
    GenotypeReading,
    PhotoEvidence,
    Reading,
    Species,
    UnnamedLine,
    VisualCall,
)
from triage.species.cautions import cautions_of
from triage.species.hiding import shown
from triage.species.lines import under_one_word
from triage.species.looks_alike import trade_name
from triage.species.sharing import published_text, tried_shares
from triage.vision.shortlist import shortlist_of
from triage.workflow.answers.line_words import line_notes, lines_of
from triage.workflow.answers.luck_words import luck_sentence
from triage.workflow.answers.parent_news import parent_reports
from triage.workflow.answers.report import Alternative, ClutchReport, EggReport, StruckOut
from triage.workflow.answers.sharing_words import Standing, sharing_words
from triage.workflow.clutch import ClutchSheet, ReadPhoto, SheetEgg
from triage.workflow.look_facts import carried_of_lines, loci_given_look, with_look
from triage.workflow.settings import Settings

#: Leaving each fact out in turn is worked out for clutches up to this many facts times eggs times possible calls.
_MOST_FOR_FACTS = 2_000_000
#: A fact that moves the log-odds by less is not worth a word.
_NO_SHIFT = 0.1


@dataclass(frozen=True, slots=True)
class _ReadEgg:
    """An egg with its readings, the calls they speak of, who read it, and remarks on its photos."""

    egg: Egg
    said: SheetEgg
    spoken_of: tuple[VisualCall, ...]
    rests_on: tuple[str, ...]
    remarks: tuple[str, ...]
    shortlist: tuple[str, ...]

    @property
    def supported(self) -> Egg:
        """The egg with what a sale label may rest on beside records and look."""
        readings = tuple(r for r in self.egg.readings if isinstance(r, GenotypeReading))
        return replace(self.egg, readings=readings)


Photos = Sequence[tuple[ReadPhoto, ...]]


def sort_clutch(
    sheet: ClutchSheet,
    *,
    settings: Settings | None = None,
    reader: object | None = None,
    progress: Callable[[int, int], None] | None = None,
    photos: Photos | None = None,
    explain: bool = True,
) -> ClutchReport:
    """Sort every hatchling of a clutch into its tray.

    Parameters
    ----------
    settings
        The keeper's thresholds.
    reader
        The photo model; that of the species is loaded when there are photos and none is given.
    progress
        Called with (photos read, photos in all) while photos are read.
    photos
        The photos of each egg as they were read before; none is opened then.
    explain
        Whether to work out luck and what moved each call, which change no answer.

    Raises
    ------
    ModelFileError
        The photo model is damaged.
    WorkTooLargeError
        There are too many uncertain genes, eggs or results for an exact answer.
    """
    settings = settings or Settings()
    model = compile_cross(sheet.cross)
    of_eggs = sum(len(egg.tests) + len(egg.proved) for egg in sheet.eggs)
    check_work(model, len(sheet.eggs), sum(map(len, sheet.parent_readings.values())) + of_eggs)
    if photos is None:
        photos = read_sheet_photos(sheet, model, reader, progress)
    read = [_read_egg(sheet, model, settings, egg, own) for egg, own in zip(sheet.eggs, photos, strict=True)]
    eggs = [r.egg for r in read]
    fitting, clashing = _consistent(model, eggs, sheet.parent_readings)
    hatched = [e for e in fitting if e.hatched is not False]
    posterior = infer(model, fitting, sheet.parent_readings, other_loss=sheet.other_loss) if fitting else None
    expected = model.expected_calls()
    reports = []
    for i, one in enumerate(read):
        if one.egg.hatched is False:
            continue
        if one.egg in clashing:
            reports.append(_clashing_report(sheet, model, eggs, i, one, clashing, settings))
            continue
        place = hatched.index(one.egg)
        report = _egg_report(sheet, model, eggs, i, one, posterior, place, expected, settings, fitting)
        if report.label_text:
            report = replace(report, label_text=_label(sheet, model, [r for r in read if r.egg in fitting], one, report, fitting))
        reports.append(report)
    if explain:
        reports = _with_what_moved_them(sheet, model, fitting, reports)
    shared, too_large = _at_other_shares(sheet, model, read, fitting, settings, reports) if explain else (reports, False)
    return ClutchReport(
        sheet=sheet,
        settings=settings,
        photos=tuple(photos),
        eggs=tuple(shared),
        parents=parent_reports(model, posterior, settings.label_threshold) if posterior else (),
        log_evidence=posterior.log_evidence if posterior and not clashing else -math.inf,
        luck=luck_sentence(model, posterior) if hatched and explain else "",
        notes=line_notes(model, posterior, settings.label_threshold) + _notes(sheet, model, read, clashing, too_large),
        posterior=posterior,
    )


def clashing_labels(sheet: ClutchSheet, settings: Settings, photos: Photos) -> tuple[str, ...]:
    """Eggs of a clutch that clash with the records or one another, and are left out of what is said of the others."""
    model = compile_cross(sheet.cross)
    read = [_read_egg(sheet, model, settings, egg, own) for egg, own in zip(sheet.eggs, photos, strict=True)]
    return tuple(egg.label for egg in _consistent(model, [one.egg for one in read], sheet.parent_readings)[1])


def _consistent(
    model: CrossModel, eggs: Sequence[Egg], parent_readings: Mapping[str, Sequence[Reading]]
) -> tuple[list[Egg], list[Egg]]:
    """Eggs that can be true together, and those that clash with the records or one another."""
    fitting, clashing = list(eggs), []
    while fitting:
        clash = clashing_eggs(model, fitting, parent_readings)
        if not clash:
            return fitting, clashing
        clashing += clash
        fitting = [e for e in fitting if e not in clash]
    return [], clashing


def _read_egg(sheet: ClutchSheet, model: CrossModel, settings: Settings, egg: SheetEgg, photos: Sequence[ReadPhoto]) -> _ReadEgg:
    seen = egg.seen(sheet.species, photos)
    rests_on = ["parents"]
    spoken_of: dict[VisualCall, None] = {}
    shortlist: tuple[str, ...] = ()
    if seen.photos:
        rests_on.append("photo" if len(seen.photos) == 1 else "photos")
        spoken_of.update((call, None) for photo in seen.photos for call in photo.log_likelihoods)
        shortlist = _shortlist(model, seen.photos)
    if egg.called:
        rests_on.append("keeper's call")
        spoken_of.update(dict.fromkeys(egg.called))
    if egg.evidence is not None:
        rests_on.append("evidence")
        spoken_of.update(dict.fromkeys(egg.evidence.likelihoods))
    rests_on += ["laboratory"] if egg.tests else []
    rests_on += dict.fromkeys(reading.observer for reading in egg.proved)
    rests_on += ["sex"] if egg.sex is not None else []
    readings = seen.readings(sheet.species, sheet.choices or model.calls, settings) if egg.hatched else ()
    remarks = tuple(f"{photo.source.name}: {words}" for photo in photos for words in photo.remarks)
    if (n_shots := len(shots(seen.photos))) < len(seen.photos):
        remarks += (f"{len(seen.photos)} photos show {n_shots} shot{'s' * (n_shots > 1)}: copies of one count once",)
    as_egg = Egg(egg.label, egg.sex, readings, None if egg.hatched else False)
    return _ReadEgg(as_egg, egg, tuple(spoken_of), tuple(rests_on), remarks, shortlist)


def _shortlist(model: CrossModel, photos: Sequence[PhotoEvidence]) -> tuple[str, ...]:
    """Calls that photos and parents leave, likeliest first; made to hold the true one 95 % of the time."""
    reading = photo_reading(photos)
    likelihoods = [reading.likelihoods.get(call, reading.otherwise) for call in model.calls]
    kept = shortlist_of(model.expected_calls(), np.array(likelihoods), min(photo.shortlist for photo in photos))
    lines = lines_of(model)
    return tuple(dict.fromkeys(under_one_word(shown(model.species, model.calls[i]), lines).name for i in kept))


def read_sheet_photos(
    sheet: ClutchSheet,
    model: CrossModel,
    reader: object | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> list[tuple[ReadPhoto, ...]]:
    """The photos of each egg as read; no model is loaded for no photo."""
    if not any(egg.photos for egg in sheet.eggs):
        return [()] * len(sheet.eggs)
    from triage.workflow.photos import load_reader, read_photos

    return read_photos(sheet.eggs, model, reader or load_reader(sheet.species), progress)


def _egg_report(
    sheet: ClutchSheet,
    model: CrossModel,
    eggs: Sequence[Egg],
    i: int,
    one: _ReadEgg,
    posterior: Posterior,
    place: int,
    expected: np.ndarray,
    settings: Settings,
    fitting: Sequence[Egg],
) -> EggReport:
    found = posterior.eggs[place]
    raw = posterior.calls(place)
    lines = lines_of(model)
    calls = shown_calls(sheet.species, raw, lines)
    misfit, alternatives, reads_as = _misfit(sheet, model, eggs, i, one, settings)
    given = (calls[0].call, sheet.parent_readings, sheet.other_loss)
    loci = loci_given_look(model, fitting, one.egg.label, found.loci, *given)
    top = calls[0].call
    of_lines = carried_of_lines(model, fitting, one.egg.label, *given)
    choice = _choice(sheet, calls, expected, loci, misfit, settings, of_lines)
    as_lines = next(c.call for c in raw if under_one_word(shown(sheet.species, c.call), lines) == top)
    settled = calls[0].probability >= settings.label_threshold
    return EggReport(
        label=one.egg.label,
        tray=choice.tray,
        reasons=choice.reasons,
        sires=found.sires,
        sex=found.sex,
        calls=tuple(calls),
        struck_out=_struck_out(sheet.eggs[i], model, shown(sheet.species, as_lines), {c.call for c in raw}, expected, lines),
        loci=found.loci,
        label_text=top.name if settled and choice.tray is not Tray.CHECK_PARENTS else "",
        rests_on=one.rests_on,
        photo_remarks=one.remarks,
        shortlist=one.shortlist,
        look_for=choice.look_for,
        alternatives=alternatives,
        trade_name=trade_name(sheet.species, top),
        cautions=cautions_of(sheet.species, shown(sheet.species, as_lines)),
        reads_as=reads_as,
    )


def _choice(
    sheet: ClutchSheet,
    calls: Sequence[CallChance],
    expected: np.ndarray,
    loci: Mapping[str, Mapping[Genotype, float]],
    misfit: str | None,
    settings: Settings,
    of_lines: Sequence[Hidden] = (),
) -> TrayChoice:
    return choose_tray(
        sheet.species,
        calls,
        int((expected > 0).sum()),
        loci,
        misfit=misfit,
        label_threshold=settings.label_threshold,
        hold_chance=settings.hold_chance,
        hold_genes=settings.hold_genes,
        of_lines=of_lines,
    )


def _several_sires(model: CrossModel) -> bool:
    return sum(share > 0 for share in model.shares) > 1


def _at_other_shares(
    sheet: ClutchSheet,
    model: CrossModel,
    read: Sequence[_ReadEgg],
    fitting: Sequence[Egg],
    settings: Settings,
    reports: Sequence[EggReport],
) -> tuple[list[EggReport], bool]:
    """The reports with what would differ at other shares of shared clutches; and whether that was too large to work out.

    One inference a share, and one for each egg whose look hides genes: the cross is not compiled again.
    """
    shares = [share for share in tried_shares(sheet.species) if share != model.mixed] if _several_sires(model) else []
    eggs = [one.egg for one in read]
    hatched = [i for i, egg in enumerate(eggs) if egg.hatched is not False]
    at: list[dict[float, Standing]] = [{} for _ in hatched]
    expected = model.expected_calls()
    for share in shares:
        there = model.at_share(share)
        if not (0 < model.mixed < 1 and 0 < share < 1):  # otherwise the same eggs can be true together
            fitting = _consistent(there, eggs, sheet.parent_readings)[0]
        try:
            posterior = infer(there, fitting, sheet.parent_readings, other_loss=sheet.other_loss) if fitting else None
        except WorkTooLargeError:
            return list(reports), True
        places = {egg.label: place for place, egg in enumerate(e for e in fitting if e.hatched is not False)}
        for i, report, found in zip(hatched, reports, at, strict=True):
            place = places.get(eggs[i].label)
            if place is None:
                found[share] = Standing((), (), Tray.CHECK_PARENTS)
                continue
            # no share makes a reading a misfit: what was found of an egg holds, unless it clashed and was not asked
            misfit = report.tray if report.calls and report.tray is Tray.CHECK_PARENTS else None
            if not report.calls:
                misfit, *_ = _misfit(sheet, model, eggs, i, read[i], settings)
            calls = shown_calls(sheet.species, posterior.calls(place), lines_of(there))
            given = (calls[0].call, sheet.parent_readings, sheet.other_loss)
            loci = loci_given_look(there, fitting, eggs[i].label, posterior.eggs[place].loci, *given)
            of_lines = carried_of_lines(there, fitting, eggs[i].label, *given)
            tray = _choice(sheet, calls, expected, loci, misfit, settings, of_lines).tray
            found[share] = Standing.of(posterior.eggs[place].sires, calls, tray)
    return [
        replace(report, sharing=sharing_words(Standing.of(report.sires, report.calls, report.tray), found))
        for report, found in zip(reports, at, strict=True)
    ], False


def _with_what_moved_them(
    sheet: ClutchSheet, model: CrossModel, fitting: Sequence[Egg], reports: list[EggReport]
) -> list[EggReport]:
    """The reports with the three facts that move the odds of each egg's likeliest call most, in words."""
    n_facts = sum(len(e.readings) + (e.sex is not None) for e in fitting)
    if not fitting or n_facts * len(fitting) * model.n_calls > _MOST_FOR_FACTS:
        return reports
    lines = lines_of(model)
    of_call: dict[VisualCall, list[int]] = {}
    for i, one in enumerate(model.calls):
        of_call.setdefault(under_one_word(shown(model.species, one), lines), []).append(i)
    places = {egg.label: place for place, egg in enumerate(e for e in fitting if e.hatched is not False)}
    asked = [report for report in reports if report.label in places]

    def chance_of(report: EggReport) -> Callable[[Posterior], float]:
        place, at = places[report.label], of_call[report.calls[0].call]
        return lambda posterior: float(posterior.eggs[place].call_chances[at].sum())

    found = strongest_facts(model, fitting, [chance_of(r) for r in asked], sheet.parent_readings, other_loss=sheet.other_loss)
    words = {
        report.label: tuple(f"{x.fact}: {odds_in_words(x.log_odds)}" for x in facts if abs(x.log_odds) >= _NO_SHIFT)
        for report, facts in zip(asked, found, strict=True)
    }
    return [replace(report, moved_by=words.get(report.label, ())) for report in reports]


def _clashing_report(
    sheet: ClutchSheet,
    model: CrossModel,
    eggs: Sequence[Egg],
    i: int,
    one: _ReadEgg,
    clashing: Sequence[Egg],
    settings: Settings,
) -> EggReport:
    impossible = [StruckOut(call.name, why) for call in one.spoken_of if (why := why_impossible(model, call))]
    reasons = [f"{struck.call}: {struck.reason}" for struck in impossible]
    partners = [e.label for e in clashing if e is not one.egg]
    if not reasons:
        rest = f" together with {', '.join(partners)}" if partners else ""
        reasons = [f"what was recorded of it cannot come from these parents{rest}"]
    others = [e for e in eggs if e not in clashing or e is one.egg]
    ranked = explanations(sheet.cross, others, others.index(one.egg), one.spoken_of)
    choice = choose_tray(
        sheet.species,
        (),
        model.n_calls,
        {},
        misfit="; ".join(reasons[:3]),
        label_threshold=settings.label_threshold,
        hold_chance=settings.hold_chance,
        hold_genes=settings.hold_genes,
    )
    return EggReport(
        label=one.egg.label,
        tray=choice.tray,
        reasons=(*choice.reasons, *_ranked_words(ranked)),
        sires={},
        sex={one.egg.sex: 1.0} if one.egg.sex else {},
        calls=(),
        struck_out=tuple(impossible),
        loci={},
        label_text="",
        rests_on=one.rests_on,
        photo_remarks=one.remarks,
        shortlist=one.shortlist,
        alternatives=tuple(Alternative(x.text, x.bayes_factor) for x in ranked),
        reads_as=impossible[0] if impossible else None,
    )


def _misfit(
    sheet: ClutchSheet, model: CrossModel, eggs: Sequence[Egg], i: int, one: _ReadEgg, settings: Settings
) -> tuple[str | None, tuple[Alternative, ...], StruckOut | None]:
    """Why the records explain an egg badly, if another explanation is likelier; the explanations; what it reads as."""
    call_readings = [r for r in one.egg.readings if isinstance(r, CallReading)]
    if not call_readings:
        return None, (), None

    def likelihood(call: VisualCall) -> float:
        return math.prod(r.likelihoods.get(call, r.otherwise) for r in call_readings)

    possible = set(model.calls)
    impossible = [c for c in one.spoken_of if c not in possible]
    if not impossible:
        return None, (), None
    best = max(impossible, key=likelihood)
    mean = math.fsum(map(likelihood, impossible)) / len(impossible)
    if max(map(likelihood, model.calls)) >= settings.misfit_ratio * mean:
        return None, (), None
    spoken_of = sorted({*one.spoken_of, *model.calls}, key=likelihood, reverse=True)[:40]
    ranked = explanations(sheet.cross, eggs, i, [best, *(c for c in spoken_of if c != best)])
    why = why_impossible(model, best)
    reason = f"it reads best as {best.name}, which these parents cannot give" + (f": {why}" if why else "")
    alternatives = tuple(Alternative(x.text, x.bayes_factor) for x in ranked[:6])
    reads_as = StruckOut(best.name, why or "these parents cannot give it")
    return "; ".join((reason, *_ranked_words(ranked))), alternatives, reads_as


def _ranked_words(ranked: Sequence) -> tuple[str, ...]:
    if not ranked:
        return ()
    return ("it would be explained by " + ", or ".join(x.text for x in ranked[:2]),)


def _struck_out(
    egg: SheetEgg,
    model: CrossModel,
    top: VisualCall,
    possible: set[VisualCall],
    expected: np.ndarray,
    lines: Sequence[UnnamedLine] = (),
) -> tuple[StruckOut, ...]:
    """Impossible calls worth a word: those named by an observer, and those one look away from the likeliest call."""
    found: dict[str, str] = {}
    # words that fit several looks mean those that these parents can give
    called = [call for call in egg.called if why_impossible(model, call) is None] or egg.called
    for call in (*called, *(egg.evidence.likelihoods if egg.evidence else ())):
        why = why_impossible(model, call)
        if call in called and (covered := _covered(model.species, call)):
            found[covered] = "this animal could not show it: the word counts neither for it nor against it"
        if why is not None:
            found[call.name] = why
        elif call not in possible:
            found[call.name] = "the other readings rule it out"
    for call, why in impossible_near(model, top, [locus for one in lines for locus in one.loci]):
        found.setdefault(call.name, why)
    ruled_out = sum(1 for call, p in zip(model.calls, expected, strict=True) if p > 0 and call not in possible)
    ruled_out -= sum(why == "the other readings rule it out" for why in found.values())
    if ruled_out > 0:
        words = "1 other call" if ruled_out == 1 else f"{ruled_out} other calls"
        found[words] = "these parents could give it, but the readings give it no chance"
    return tuple(StruckOut(call, why) for call, why in found.items())


def _covered(species: Species, call: VisualCall) -> str:
    """Words of a call for what an animal of this look cannot show; empty if there are none."""
    left = shown(species, call).looks
    return " ".join(pair[1] for pair in call.looks if pair not in left)


def _label(
    sheet: ClutchSheet, model: CrossModel, read: Sequence[_ReadEgg], one: _ReadEgg, report: EggReport, fitting: Sequence[Egg]
) -> str:
    """Label text: hets at the lesser of what records, laboratories, provings and its own look support, and what all of it says."""
    call, label = report.calls[0].call, one.egg.label
    eggs = [r.supported for r in read]
    seen = with_look(model, eggs, label, call)
    supported = infer(model, seen, sheet.settled_of_parents, other_loss=sheet.other_loss).egg(label).loci
    by_records = (sheet.settled_of_parents, sheet.other_loss)
    by_all = (sheet.parent_readings, sheet.other_loss)
    known = loci_given_look(model, fitting, label, report.loci, call, *by_all)
    both = zip(carried_of_lines(model, eggs, label, call, *by_records), carried_of_lines(model, fitting, label, call, *by_all), strict=True)
    least = [min(pair, key=lambda hidden: hidden.chance) for pair in both]
    shown_lines = [line.word for line in lines_of(model) if call.look(line.loci[0]) == line.word]
    return label_text(
        model.species,
        call,
        one.egg.sex,
        {name: table for name, table in supported.items() if name in known},
        known,
        of_lines=least,
        remarks=[f"line of {word} not named" for word in shown_lines],
    )


def _notes(
    sheet: ClutchSheet, model: CrossModel, read: Sequence[_ReadEgg], clashing: Sequence[Egg], too_large: bool
) -> tuple[str, ...]:
    notes = []
    if clashing:
        labels = ", ".join(e.label for e in clashing)
        notes.append(f"{labels}: cannot be true together with the records, and left out of what is said of the others.")
    lost = [one.egg.label for one in read if one.egg.hatched is False]
    if lost:
        notes.append(
            f"{', '.join(lost)} did not hatch: counted as evidence on genotypes that do not hatch, with a chance of "
            f"{percent(sheet.other_loss)} that an egg is lost for another reason."
        )
    losses = _losses(model)
    if losses:
        notes.append(losses)
    if _several_sires(model):
        taken = f"Sharing: a chance of {percent(model.mixed)} is taken that several sires share the clutch."
        unknown = "What each answer would be at other shares is too much to work out." if too_large else ""
        notes.append(" ".join(words for words in (taken, published_text(sheet.species), unknown) if words))
    if any(r.startswith("photo") for one in read for r in one.rests_on):
        notes.append(
            "Photo readings come from a model that has seen synthetic skin only; they are tempered, and a photo never changes "
            "what a label may say of hidden genes."
        )
    notes += [sheet.species.caution(key).text for key in sheet.species.general_cautions]
    return tuple(notes)


def _losses(model: CrossModel) -> str:
    """The share of eggs expected to be lost to genotypes that do not hatch, in words; empty if none is."""
    share = expected_losses(model)
    if share < 1e-9:
        return ""
    return f"Expected loss: {percent(share)} of the eggs of this cross carry a genotype that is not known to hatch."
