"""Ranking: each player's best and worst strokes of one kind and side, with reasons."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

from paddlebrief.records import Kind, Measure, MeasuredStroke, PlayerRanking, RankedStroke, Side

__all__ = ["RankingSettings", "Sentences", "Target", "TargetBook", "rank", "score"]

COVERAGE = 1.96  # half width of a 95 % interval in standard uncertainties
REASONS_SHOWN = 3


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RankingSettings(_Part):
    """When and how strokes are ranked."""

    min_strokes: int = Field(
        4, ge=2, description="fewest scored strokes of a kind and side to rank"
    )
    shown: int = Field(3, ge=1, description="how many best and how many worst strokes to name")
    min_weight_share: float = Field(
        0.2,
        gt=0,
        le=1,
        description="share of the targets' weight a stroke needs measured to be scored",
    )


class Target(_Part):
    """A range asked for in one measure; see config/targets.yaml."""

    measure: str
    low: float = -np.inf
    high: float = np.inf
    tolerance: float = Field(gt=0)
    weight: float = Field(1.0, gt=0)
    below: str = ""
    above: str = ""
    instead_of: str | None = None

    @model_validator(mode="after")
    def _ordered(self) -> "Target":
        if not self.low < self.high:
            raise ValueError(f"{self.measure}: expected low < high, got {self.low} and {self.high}")
        if not np.isfinite([self.low, self.high]).any():
            raise ValueError(f"{self.measure}: needs low, high or both")
        return self

    def shortfall(self, value: float) -> float:
        """How far a value lies outside the range, in tolerances, 0 inside."""
        return max(self.low - value, value - self.high, 0.0) / self.tolerance


class Sentences(_Part):
    """Patterns of the sentences that a ranking says."""

    below: str
    above: str
    within: str
    all_within: str
    no_targets: str
    too_few: str
    too_close: str


class TargetBook(_Part):
    """All targets by kind, and the sentences."""

    targets: Mapping[Kind, tuple[Target, ...]]
    sentences: Sentences


@dataclass(frozen=True, kw_only=True)
class _Scored:
    stroke: MeasuredStroke
    score: float
    sd: float


def score(
    stroke: MeasuredStroke, targets: Sequence[Target], *, min_weight_share: float
) -> tuple[float, float]:
    """Score of a stroke and its standard uncertainty; both NaN when too little was measured.

    0 is inside every target. The score is minus the weighted mean of how far each measured value
    lies outside its target, in tolerances. The uncertainty takes each measure's own, where the
    value is outside the range or within one standard uncertainty of its edge. A target that stands
    in for another counts only where the other's measure was not taken.
    """
    found = applied(stroke, targets)
    weight = sum(t.weight for t, _ in found)
    whole = sum(t.weight for t in targets if t.instead_of is None)
    if weight < min_weight_share * whole or weight == 0:
        return np.nan, np.nan
    total = sum(t.weight * t.shortfall(m.value) for t, m in found)
    spread = sum((t.weight * _shortfall_sd(t, m)) ** 2 for t, m in found)
    return float(-total / weight), float(np.sqrt(spread) / weight)


def applied(stroke: MeasuredStroke, targets: Sequence[Target]) -> list[tuple[Target, Measure]]:
    """The targets that a stroke can be held to, each with its measure."""

    def taken(name: str) -> Measure | None:
        measure = stroke.measure(name)
        return measure if measure is not None and measure.measured else None

    return [
        (t, m)
        for t in targets
        if (m := taken(t.measure)) is not None
        and (t.instead_of is None or taken(t.instead_of) is None)
    ]


def _shortfall_sd(target: Target, measure: Measure) -> float:
    inside = min(measure.value - target.low, target.high - measure.value)
    return measure.sd / target.tolerance if inside < measure.sd else 0.0


def rank(
    strokes: Sequence[MeasuredStroke],
    *,
    book: TargetBook,
    settings: RankingSettings,
    labels: Mapping[str, str] | None = None,
) -> list[PlayerRanking]:
    """One ranking for each player, kind and side that occurs; empty for no strokes.

    Parameters
    ----------
    strokes
        Strokes of one session.
    book
        Targets and sentences.
    settings
        When a ranking is worth making.
    labels
        What measures are called in sentences, by name; a name without one is used as it is.
    """
    groups: dict[tuple[str, Kind, Side], list[MeasuredStroke]] = defaultdict(list)
    for stroke in strokes:
        groups[stroke.stroke.player, stroke.stroke.kind, stroke.stroke.side].append(stroke)
    return [
        _rank_group(group, player, kind, side, book=book, settings=settings, labels=labels or {})
        for (player, kind, side), group in sorted(groups.items())
    ]


def _rank_group(
    group: list[MeasuredStroke],
    player: str,
    kind: Kind,
    side: Side,
    *,
    book: TargetBook,
    settings: RankingSettings,
    labels: Mapping[str, str],
) -> PlayerRanking:
    targets, say = book.targets.get(kind, ()), book.sentences
    if not targets:
        return PlayerRanking(player=player, kind=kind, side=side, note=say.no_targets)
    scored = []
    for stroke in group:
        value, sd = score(stroke, targets, min_weight_share=settings.min_weight_share)
        if np.isfinite(value):
            scored.append(_Scored(stroke=stroke, score=value, sd=sd))
    scored.sort(key=lambda s: -s.score)
    order = tuple(
        RankedStroke(
            stroke=s.stroke,
            score=s.score,
            score_sd=s.sd,
            reasons=_reasons(s.stroke, targets, group, say=say, labels=labels),
        )
        for s in scored
    )
    note = _why_not(scored, settings, say)
    shown = 0 if note else min(settings.shown, len(order) // 2)
    return PlayerRanking(
        player=player,
        kind=kind,
        side=side,
        best=order[:shown],
        worst=order[::-1][:shown],
        note=note,
        order=order,
    )


def _why_not(scored: list[_Scored], settings: RankingSettings, say: Sentences) -> str | None:
    if len(scored) < settings.min_strokes:
        return say.too_few.format(count=len(scored), needed=settings.min_strokes)
    best, worst = scored[0], scored[-1]
    difference = best.score - worst.score
    half = COVERAGE * float(np.hypot(best.sd, worst.sd))
    if difference <= half or difference == 0:
        return say.too_close.format(difference=f"{difference:.2f}", half=f"{half:.2f}")
    return None


def _reasons(
    stroke: MeasuredStroke,
    targets: Sequence[Target],
    group: Sequence[MeasuredStroke],
    *,
    say: Sentences,
    labels: Mapping[str, str],
) -> tuple[str, ...]:
    """What put a stroke where it is: measures outside their targets, the weightiest first; for a
    stroke inside all of them, the measures in which it differs most from the player's middle."""
    found = applied(stroke, targets)
    outside = [(t.weight * t.shortfall(m.value), t, m) for t, m in found if t.shortfall(m.value)]
    if outside:
        outside.sort(key=lambda o: -o[0])
        return tuple(_outside(t, m, say=say, labels=labels) for _, t, m in outside[:REASONS_SHOWN])
    apart = []
    for target, measure in found:
        typical = _median(group, measure.name)
        apart.append((abs(measure.value - typical) / target.tolerance, measure, typical))
    apart.sort(key=lambda a: -a[0])
    telling = [
        say.within.format(**_words(m, labels), typical=f"{t:.3g}")
        for distance, m, t in apart[: REASONS_SHOWN - 1]
        if distance > 0
    ]
    return (say.all_within, *telling)


def _outside(target: Target, measure: Measure, *, say: Sentences, labels: Mapping[str, str]) -> str:
    words = _words(measure, labels)
    if measure.value < target.low:
        return say.below.format(**words, low=f"{target.low:g}", what=target.below)
    return say.above.format(**words, high=f"{target.high:g}", what=target.above)


def _words(measure: Measure, labels: Mapping[str, str]) -> dict[str, str]:
    decimals = 0 if measure.sd >= 1 else 2
    return {
        "measure": labels.get(measure.name, measure.name),
        "value": f"{measure.value:.{decimals}f}".replace("-", "−"),
        "half": f"{COVERAGE * measure.sd:.{decimals}f}",
        "unit": measure.unit,
    }


def _median(group: Sequence[MeasuredStroke], name: str) -> float:
    values = [m.value for s in group if (m := s.measure(name)) is not None and m.measured]
    return float(np.median(values))


def load_targets(path: Path | None = None) -> TargetBook:
    """The targets that ship with the package, or those of a file of the same form.

    Raises
    ------
    SettingsError
        When the file is missing or not a book of targets.
    """
    from paddlebrief.settings import read_yaml

    return read_yaml(TargetBook, path, default="targets.yaml")
