"""The keeper's own thresholds."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace

from triage.storage.kinds import Bars, Eye


@dataclass(frozen=True, slots=True)
class Settings:
    """Thresholds of one keeper.

    Attributes
    ----------
    label_threshold
        Probability at which a call is settled for the label.
    hold_chance
        Smallest chance of a hidden gene worth proving; 0.6 holds back a "66 % het" and sells a "50 % het".
    hold_genes
        Genes worth the years that proving takes; None means any gene.
    keeper_accuracy
        Share of the keeper's own calls that are right.
    lookalike_share
        Of the keeper's wrong calls, the share that take a look-alike for the real thing.
    misfit_ratio
        A reading is explained badly when the best call the parents can give is this much less likely than the mean of the
        calls weighed that they cannot give.
    eye
        Id of the entry that `keeper_accuracy` and `lookalike_share` are from, where the keeper said yes to learnt ones.
    """

    label_threshold: float = 0.95
    hold_chance: float = 0.6
    hold_genes: frozenset[str] | None = None
    keeper_accuracy: float = 0.9
    lookalike_share: float = 0.8
    misfit_ratio: float = 0.1
    eye: str | None = None

    @classmethod
    def of(cls, bars: Bars) -> Settings:
        """Those that a clutch was sorted with, as the records hold them."""
        return cls(**{**bars.to_json(), "hold_genes": frozenset(bars.hold_genes) if bars.hold_genes else None})

    def seen_by(self, id: str | None, eye: Eye | None) -> Settings:
        """The same with the rates that the keeper last said yes to, the usual ones where there are none; rates set by hand stay."""
        usual = Settings()
        by_hand = (self.keeper_accuracy, self.lookalike_share) != (usual.keeper_accuracy, usual.lookalike_share)
        if self.eye is None and by_hand:
            return self
        rates = (usual.keeper_accuracy, usual.lookalike_share) if eye is None else (eye.accuracy, eye.lookalike_share)
        return replace(self, keeper_accuracy=rates[0], lookalike_share=rates[1], eye=id)

    @property
    def bars(self) -> Bars:
        """The same as the records hold them."""
        return Bars(**{**asdict(self), "hold_genes": tuple(sorted(self.hold_genes)) if self.hold_genes else None})
