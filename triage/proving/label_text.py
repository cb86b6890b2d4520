"""What a sale label may say: no more than the records support, whatever a photo suggests."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction

from triage.proving.trays import Hidden, hidden_genes
from triage.records import Genotype, Sex, Species, VisualCall
from triage.species.hiding import hiding_words

_SEX_MARK = {Sex.MALE: "1.0", Sex.FEMALE: "0.1", None: "0.0.1"}


def label_text(
    species: Species,
    call: VisualCall,
    sex: Sex | None,
    from_records: Mapping[str, Mapping[Genotype, float]],
    *also: Mapping[str, Mapping[Genotype, float]],
    of_lines: Sequence[Hidden] = (),
    remarks: Sequence[str] = (),
) -> str:
    """Sex mark, visual genes, and hets as the records support them.

    Parameters
    ----------
    from_records
        P(genotype) by locus given the parents' records and the look alone: no photo, no siblings.
    also
        The same given more; of all these chances the least is promised.
    of_lines
        What is carried of lines that nobody named, at the least of those chances; their loci are not in the others.
    remarks
        What is to be said beside the look.

    A chance is rounded down to whole percent, so a label never promises more than is known; 2/3 is the trade's 66 %.
    """
    chances: dict[str, list[float]] = {}
    for loci in (from_records, *also):
        for hidden in hidden_genes(species, call, loci):
            chances.setdefault(hidden.what, []).append(hidden.chance)
    chances |= {hidden.what: [hidden.chance] * (1 + len(also)) for hidden in of_lines}
    parts = [_SEX_MARK[sex], call.name, *remarks, *hiding_words(species, call)]
    for what, found in chances.items():
        chance = min(found) if len(found) == 1 + len(also) else 0.0
        if what.startswith("homozygous"):
            gene = what.removeprefix("homozygous ")
            parts.append(what if chance >= 1 - 1e-12 else f"{gene}: one or two copies not proven")
        elif chance >= 1 - 1e-12:
            parts.append(f"100% {what}")
        elif whole_percent(chance):
            parts.append(f"{whole_percent(chance)}% possible {what}, not proven")
    return "; ".join(parts)


def whole_percent(chance: float) -> int:
    """Whole percent, rounded down but for binary noise: 0.5 is 50 and 2/3 is 66."""
    return int(Fraction(chance).limit_denominator(10**9) * 100)
