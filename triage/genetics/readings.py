"""What each observer's words are worth, once: the keeper's call, photos, a laboratory, a proving, as likelihoods.

Sorting, the records and the plans all take their likelihoods from here.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from triage.errors import ShorthandError
from triage.records import (
    NORMAL,
    CallReading,
    Genotype,
    GenotypeReading,
    Locus,
    PhotoEvidence,
    Sex,
    Species,
    VisualCall,
)
from triage.species import parse_parent
from triage.species.hiding import perceived, shown, unseen_loci
from triage.species.looks_alike import lookalikes_among, lookalikes_of, seen_as

#: How much rarer a careless mistake gets with each further locus it is wrong about; a judgement, not a measurement.
_PER_WRONG_LOCUS = 0.1
#: Two photos of an animal whose fingerprints differ in at most this many of their 99 bits show one shot (tests/vision/test_copies.py).
SAME_SHOT = 32


def keeper_reading(
    species: Species,
    called: Sequence[VisualCall],
    possible: Collection[VisualCall],
    *,
    accuracy: float,
    lookalike_share: float,
) -> CallReading:
    """P(the keeper's call | true visual call) for every possible call.

    The keeper sees what the animal can be perceived as: what its look hides changes nothing, and a word of the call for what
    such an animal cannot show says nothing. A keeper names it rightly with chance ``accuracy``. Of the mistakes,
    ``lookalike_share`` take one of its look-alikes for it (the catalogue's pairs, and calls the eye cannot separate), evenly; the
    rest are careless and fall on any call, ten times less often for each further locus at which it is wrong.

    Parameters
    ----------
    called
        The call, or the several calls that the keeper's words describe.
    possible
        Calls the cross can give; the call itself need not be one of them.
    accuracy, lookalike_share
        Between 0 and 1; ``accuracy`` below 1, for a keeper who is never wrong cannot be corrected.
    """
    if not 0 < accuracy < 1 or not 0 <= lookalike_share <= 1:
        raise ValueError("accuracy must lie between 0 and 1 (both excluded) and lookalike_share between 0 and 1")
    return _keeper_reading(species, tuple(called), tuple(possible), accuracy, lookalike_share)


@lru_cache(maxsize=8)  # brothers and sisters are often called the same
def _keeper_reading(
    species: Species, called: tuple[VisualCall, ...], possible: tuple[VisualCall, ...], accuracy: float, lookalike_share: float
) -> CallReading:
    eye = _eye(species, possible)
    alike, careless = (1 - accuracy) * lookalike_share, (1 - accuracy) * (1 - lookalike_share)
    found = _ways(species, eye, called, called)
    likelihoods = {true: accuracy * way.right + alike * way.alike + careless * way.careless for true, way in found.items()}
    return CallReading(likelihoods, min(likelihoods.values()), "keeper's call")


@dataclass(frozen=True, slots=True)
class Ways:
    """P(a call | true call) of an eye that is right, of one that takes a look-alike for it, and of one that is careless."""

    right: float
    alike: float
    careless: float


def ways_to_call(species: Species, called: Sequence[VisualCall], true: VisualCall, possible: Collection[VisualCall]) -> Ways:
    """How an animal of a look that is known could come to be called as it was; arguments as of `keeper_reading`."""
    return _ways(species, _eye(species, tuple(possible)), tuple(called), (true,))[true]


def _ways(species: Species, eye: _Eye, called: tuple[VisualCall, ...], more: Iterable[VisualCall]) -> dict[VisualCall, Ways]:
    """By true call: all that are possible, and `more`."""
    said = list(dict.fromkeys(shown(species, call) for call in called))
    perceived_as = eye.perceived_as | {call: perceived(species, call) for call in more}
    perceivable = dict.fromkeys((*eye.seen, *(seen for spread in perceived_as.values() for seen, _ in spread)))
    strange = [call for call in dict.fromkeys((*said, *perceivable)) if call not in eye.seen]  # these parents could not give it
    if strange:
        eye = eye.with_calls(species, strange)
    told = {seen: _mixed([(eye.ways(seen, call), 1.0) for call in said]) for seen in perceivable}
    return {true: _mixed([(told[seen], p) for seen, p in spread]) for true, spread in perceived_as.items()}


def _mixed(parts: Sequence[tuple[Ways, float]]) -> Ways:
    """Weighted sum of ways."""
    if len(parts) == 1 and parts[0][1] == 1:
        return parts[0][0]
    return Ways(sum(w.right * p for w, p in parts), sum(w.alike * p for w, p in parts), sum(w.careless * p for w, p in parts))


def look_readings(species: Species, call: VisualCall, loci: Iterable[str]) -> tuple[GenotypeReading, ...]:
    """The look of an animal as a fact: at each of ``loci`` that it does not hide, only genotypes of this look."""
    unseen = unseen_loci(species, call)
    found = []
    for locus in (species.locus(name) for name in loci if name not in unseen):
        genotypes = locus.genotypes() + (locus.genotypes(by_chromosome=True) if locus.sex_linked else ())
        fitting = {genotype: 1.0 for genotype in genotypes if locus.look(genotype) == call.look(locus.name)}
        found.append(GenotypeReading(locus.name, fitting, 0.0, "look"))
    return tuple(found)


@dataclass(frozen=True, eq=False)
class _Eye:
    """What is taken for what among some calls: those that look the same (`seen`), the catalogue's pairs (`pairs`), or by carelessness.

    `n_alike` counts a call's look-alikes of either kind; `words` are the look words about at each locus, wild ones included;
    `perceived_as` holds what can be perceived of each call that the cross can give.
    """

    perceived_as: Mapping[VisualCall, tuple[tuple[VisualCall, float], ...]]
    seen: Mapping[VisualCall, tuple]
    pairs: Mapping[VisualCall, frozenset[VisualCall]]
    n_alike: Mapping[VisualCall, int]
    words: Mapping[str, frozenset[str]]

    def is_alike(self, true: VisualCall, call: VisualCall) -> bool:
        return call in self.pairs[true] or self.seen[call] == self.seen[true]

    def ways(self, true: VisualCall, call: VisualCall) -> Ways:
        """P(call | true call) of an eye that is right, that takes a look-alike (careless where there is none), that is careless."""
        if call == true:
            return Ways(1.0, 0.0, 0.0)
        n_alike, careless = self.n_alike[true], self.careless(true, call)
        return Ways(0.0, self.is_alike(true, call) / n_alike if n_alike else careless, careless)

    def careless(self, true: VisualCall, call: VisualCall) -> float:
        """P(call | true call, a careless mistake) over the grid of all look words about; sums to 1 over calls other than the true."""
        differ = {locus for locus, _ in set(true.looks) ^ set(call.looks)}
        return _PER_WRONG_LOCUS ** len(differ) / self._all_careless

    @cached_property
    def _all_careless(self) -> float:
        return math.prod(1 + _PER_WRONG_LOCUS * (len(words) - 1) for words in self.words.values()) - 1

    def with_calls(self, species: Species, more: Sequence[VisualCall]) -> _Eye:
        """The same with a few calls more: only their own look-alikes are counted again."""
        seen, pairs, n_alike = dict(self.seen), dict(self.pairs), dict(self.n_alike)
        for call in more:
            look = seen_as(species, call)
            same = [other for other, others in seen.items() if others == look]
            paired = {o for o, _ in lookalikes_of(species, call) if o in seen and seen[o] != look}
            for other in (*same, *paired):
                n_alike[other] += 1
            for other in paired:
                pairs[other] = pairs[other] | {call}
            seen[call], pairs[call], n_alike[call] = look, frozenset(paired), len(same) + len(paired)
        return replace(self, seen=seen, pairs=pairs, n_alike=n_alike, words=_words([*self.seen, *more]))


@lru_cache(maxsize=8)
def _eye(species: Species, possible: tuple[VisualCall, ...]) -> _Eye:
    """What can be perceived of all young of a cross, counted once for them: thousands of calls can share one white look."""
    perceived_as = {call: perceived(species, call) for call in possible}
    candidates = tuple(dict.fromkeys(one for spread in perceived_as.values() for one, _ in spread))
    seen = {call: seen_as(species, call) for call in candidates}
    of_look = Counter(seen.values())
    alike = lookalikes_among(species, candidates)
    pairs = {true: frozenset(o for o in alike[true] if seen[o] != seen[true]) for true in candidates}
    n_alike = {true: of_look[seen[true]] - 1 + len(pairs[true]) for true in candidates}
    return _Eye(perceived_as, seen, pairs, n_alike, _words(candidates))


def _words(calls: Iterable[VisualCall]) -> dict[str, frozenset[str]]:
    looks: dict[str, set[str]] = {}
    for locus, look in {pair for call in calls for pair in call.looks}:
        looks.setdefault(locus, {""}).add(look)
    return {locus: frozenset(words) for locus, words in looks.items()}


def laboratory_reading(
    locus: Locus, allele: str, found: int, *, false_positive: float, false_negative: float
) -> GenotypeReading:
    """P(laboratory result | genotype) for a test that counts copies of one allele.

    Parameters
    ----------
    found
        Copies reported, 0 to 2.
    false_positive
        Chance that one absent copy is reported as present.
    false_negative
        Chance that one present copy is missed.

    Each of the two chromosomes is read on its own, so the reported count is a sum of two independent readings.
    """
    if found not in (0, 1, 2):
        raise ValueError(f"a test reports 0, 1 or 2 copies, not {found}")
    if not (0 <= false_positive <= 1 and 0 <= false_negative <= 1):
        raise ValueError("error rates must lie between 0 and 1")

    def chance(genotype: Genotype) -> float:
        seen = [1 - false_negative if a == allele else false_positive for a in genotype.alleles]
        both, neither = seen[0] * seen[1], (1 - seen[0]) * (1 - seen[1])
        return (neither, 1 - both - neither, both)[found]

    genotypes = locus.genotypes() + (locus.genotypes(by_chromosome=True) if locus.sex_linked else ())
    return GenotypeReading(locus.name, {g: chance(g) for g in genotypes}, 0.0, "laboratory")


def proving_reading(species: Species, says: Mapping[str, float], by: str = "proving") -> GenotypeReading:
    """P(what a proving breeding showed | genotype), from words of one locus: "het clown", "clown", "no clown".

    Genotypes that no words name are ruled out; words that may mean several genotypes (a gene on either sex chromosome) give each
    the same.

    Raises
    ------
    ShorthandError
        The words speak of several loci, or of none.
    """
    found: dict[Genotype, float] = {}
    loci: dict[str, None] = {}
    for words, value in says.items():
        none_of = words.lower().startswith("no ")
        for sex in Sex:  # a sex-linked gene lies otherwise in either
            genes = parse_parent(species, words[3:] if none_of else words, name="outcome", sex=sex)
            for locus, prior in genes.loci.items():
                loci[locus] = None
                hetero = species.locus(locus).sex_linked and sex is species.heterogametic
                for genotype in [Genotype(NORMAL, NORMAL, hetero)] if none_of else [g for g, _ in prior.states]:
                    found[genotype] = value
    if len(loci) != 1:
        raise ShorthandError(
            f"an outcome speaks of one locus; found {', '.join(sorted(loci)) or 'none'}; needed: words such as 'het clown', "
            "'no clown' with a number each"
        )
    return GenotypeReading(next(iter(loci)), found, 0.0, by)


def photo_reading(photos: Sequence[PhotoEvidence]) -> CallReading:
    """P(photos of one animal | visual call), for every call that any of them speaks of.

    Copies of one shot (the same file, another compression, the next frame of a burst) are one photo, which says their mean. Photos
    of one animal share its quirks, so n of them weigh n ** (1 - exponent), not n; the floor is laid under what they say together.
    A photo that does not speak of a call says of it what it says of its unlikeliest.
    """
    if not photos:
        raise ValueError("photo_reading needs at least one photo")
    calls = list(dict.fromkeys(call for photo in photos for call in photo.log_likelihoods))
    rows = []
    for copies in shots(photos):
        said = [[photo.log_likelihoods.get(call, min(photo.log_likelihoods.values())) for call in calls] for photo in copies]
        rows.append(np.mean(said, 0))
    joint = combine_photos(np.array(rows), max(photo.exponent for photo in photos))
    tempered = temper(joint, 1.0, max(photo.floor for photo in photos))
    likelihoods = np.exp(tempered - tempered.max())
    return CallReading(dict(zip(calls, map(float, likelihoods), strict=True)), float(likelihoods.min()), "photo")


def silent_on(reading: CallReading, loci: Iterable[str], calls: Iterable[VisualCall]) -> CallReading:
    """The reading with a word for further calls: where it lists no look at a locus it says nothing there, for or against.

    Such a call gets what the reading says of the same call without those looks.
    """
    mute = {locus for locus in loci if not any(call.look(locus) for call in reading.likelihoods)}
    told = dict(reading.likelihoods)
    for call in calls:
        plain = VisualCall(tuple(pair for pair in call.looks if pair[0] not in mute))
        if call not in told and plain in reading.likelihoods:
            told[call] = reading.likelihoods[plain]
    return replace(reading, likelihoods=told)


def shots(photos: Sequence[PhotoEvidence]) -> list[list[PhotoEvidence]]:
    """Photos of one animal by the shot they show: those that differ by little in their fingerprints, or say the very same."""
    found: list[list[PhotoEvidence]] = []
    for photo in photos:
        same = [group for group in found if any(_same_shot(photo, other) for other in group)]
        found = [group for group in found if group not in same] + [[one for group in same for one in group] + [photo]]
    return found


def _same_shot(one: PhotoEvidence, other: PhotoEvidence) -> bool:
    if one.shot and other.shot:
        return (int(one.shot, 16) ^ int(other.shot, 16)).bit_count() <= SAME_SHOT
    return one.log_likelihoods == other.log_likelihoods


def temper(log_likelihood: np.ndarray, beta: float, eps: float) -> np.ndarray:
    """Log of (1 - eps) L^beta / norm + eps / n over the last axis, float64; never -inf while eps is above 0.

    The floor eps / n means that a photo alone can never rule a call out.
    """
    scaled = beta * np.asarray(log_likelihood, np.float64)
    scaled = scaled - np.logaddexp.reduce(scaled, -1, keepdims=True)
    if eps == 0:
        return scaled
    return np.logaddexp(np.log1p(-eps) + scaled, np.log(eps) - np.log(scaled.shape[-1]))


def combine_photos(log_likelihoods: np.ndarray, photo_exponent: float) -> np.ndarray:
    """One animal's photos (n_photos, n_calls) to one log-likelihood (n_calls,), before the floor."""
    stacked = np.atleast_2d(np.asarray(log_likelihoods, np.float64))
    return stacked.sum(0) * float(len(stacked)) ** -photo_exponent
