"""Ranking: each player's best and worst strokes of one kind and side, with reasons."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.brief.shown import Units, converted, in_units, show
from paddlebrief.records import Kind, Measure, MeasuredStroke, PlayerRanking, RankedStroke, Side
from paddlebrief.scoring import Scores, Target, applied, scored
from paddlebrief.statistics import chances_above_middle, spread_test

__all__ = ["RankingSettings", "Sentences", "TargetBook", "load_targets", "rank"]

REASONS_SHOWN = 3


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RankingSettings(_Part):
    """When and how strokes are ranked."""

    min_strokes: int = Field(
        4, ge=2, description="fewest scored strokes of a kind and side to rank"
    )
    shown: int = Field(
        3, ge=1, description="most strokes to name as best, and most to name as worst"
    )
    risk: float = Field(
        0.1,
        gt=0,
        le=0.2,
        description="most often that strokes which do not differ are ranked, share of groups",
    )
    sure: float = Field(
        0.8,
        gt=0.5,
        lt=1,
        description="probability of lying above or below the player's middle to be named",
    )
    min_weight_share: float = Field(
        0.2,
        gt=0,
        le=1,
        description="share of the targets' weight a stroke needs measured to be scored",
    )


class Sentences(_Part):
    """Patterns of the sentences that a ranking says."""

    below: str
    above: str
    within: str
    all_within: str
    about_within: str
    no_targets: str
    too_few: str
    too_close: str
    none_sure: str


class TargetBook(_Part):
    """All targets by kind, and the sentences."""

    targets: Mapping[Kind, tuple[Target, ...]]
    sentences: Sentences


def rank(
    strokes: Sequence[MeasuredStroke],
    *,
    book: TargetBook,
    settings: RankingSettings,
    labels: Mapping[str, str] | None = None,
    units: Units = "metric",
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
    units
        Of the numbers in sentences, as on the pages.
    """
    say = _Say(book.sentences, labels or {}, units)
    groups: dict[tuple[str, Kind, Side], list[MeasuredStroke]] = defaultdict(list)
    for stroke in strokes:
        groups[stroke.stroke.player, stroke.stroke.kind, stroke.stroke.side].append(stroke)
    return [
        _rank_group(group, player, kind, side, book=book, settings=settings, say=say)
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
    say: "_Say",
) -> PlayerRanking:
    targets = book.targets.get(kind, ())
    if not targets:
        return PlayerRanking(player=player, kind=kind, side=side, note=book.sentences.no_targets)
    scores = scored(group, targets, min_weight_share=settings.min_weight_share)
    verdict = _judged(scores, settings, book.sentences)
    order = [
        RankedStroke(
            stroke=stroke,
            score=float(scores.value[k]),
            score_sd=float(scores.sd[k]),
            score_own_sd=float(scores.own_sd[k]),
            above_middle=float(verdict.above[k]),
            reasons=_reasons(stroke, targets, group, say),
        )
        for k, stroke in enumerate(scores.strokes)
    ]
    order.sort(key=lambda r: -r.score)
    shown = min(settings.shown, len(order) // 2)
    best = [r for r in order if r.above_middle >= settings.sure]
    worst = [r for r in order[::-1] if r.above_middle <= 1 - settings.sure]
    named = verdict.note is None
    return PlayerRanking(
        player=player,
        kind=kind,
        side=side,
        best=tuple(best[:shown]) if named else (),
        worst=tuple(worst[:shown]) if named else (),
        note=verdict.note,
        order=tuple(order),
    )


@dataclass(frozen=True, kw_only=True)
class _Verdict:
    """Why nothing is ranked, or None, and (n,) chances to lie above the player's middle."""

    note: str | None
    above: np.ndarray


def _judged(scores: Scores, settings: RankingSettings, say: Sentences) -> _Verdict:
    """Whether the strokes differ by more than their own errors, and which ones surely do.

    Two questions, both put to the scores' covariance: is there any order (the scatter of the
    whole group, since best and worst of any noise lie far apart), and if so, which strokes lie
    above or below the player's middle with the probability asked for.
    """
    n = len(scores.value)
    unsure = np.full(n, 0.5)
    if n < settings.min_strokes:
        return _Verdict(note=say.too_few.format(count=n, needed=settings.min_strokes), above=unsure)
    variance, chance = spread_test(scores.value, scores.covariance)
    if chance > settings.risk:
        spread = float(np.std(scores.value, ddof=1))
        own = float(np.sqrt(np.mean(scores.own_sd**2)))
        note = say.too_close.format(spread=f"{spread:.2f}", own=f"{own:.2f}")
        return _Verdict(note=note, above=unsure)
    above = chances_above_middle(scores.value, scores.covariance, variance)
    if np.abs(above - 0.5).max() < settings.sure - 0.5:
        sure = f"{100 * settings.sure:.0f}"
        return _Verdict(note=say.none_sure.format(sure=sure), above=above)
    return _Verdict(note=None, above=above)


@dataclass(frozen=True)
class _Say:
    """The sentences about measures, in the words and units of the pages."""

    sentences: Sentences
    labels: Mapping[str, str]
    units: Units

    def outside(self, target: Target, measure: Measure) -> str:
        words = self._words(measure)
        if measure.value < target.low:
            low = self._limit(target.low, measure)
            return self.sentences.below.format(**words, low=low, what=target.below)
        high = self._limit(target.high, measure)
        return self.sentences.above.format(**words, high=high, what=target.above)

    def within(self, measure: Measure, typical: Measure) -> str:
        number = self._words(typical)["number"]
        return self.sentences.within.format(**self._words(measure), typical=number)

    def _words(self, measure: Measure) -> dict[str, str]:
        _, sd, _ = in_units(measure, self.units)
        shown = show(measure, decimals=0 if sd >= 0.5 else 2, units=self.units)
        return {
            "measure": self.labels.get(measure.name, measure.name),
            "number": shown.sentence,
            "value": shown.value,
            "half": shown.half_width,
            "unit": shown.unit,
        }

    def _limit(self, value: float, measure: Measure) -> str:
        return f"{converted(value, measure.unit, self.units)[0]:.3g}".replace("-", "−")


def _reasons(
    stroke: MeasuredStroke,
    targets: Sequence[Target],
    group: Sequence[MeasuredStroke],
    say: _Say,
) -> tuple[str, ...]:
    """What put a stroke where it is: measures outside their targets by more than their standard
    uncertainty, the weightiest first; for a stroke without any, the measures in which it differs
    most from the player's middle."""
    found = applied(stroke, targets)
    outside = [(t.weight * t.shortfall(m.value), t, m) for t, m in found if t.shortfall(m.value)]
    clear = [(w, t, m) for w, t, m in outside if t.tolerance * t.shortfall(m.value) > m.sd]
    if clear:
        clear.sort(key=lambda o: -o[0])
        return tuple(say.outside(t, m) for _, t, m in clear[:REASONS_SHOWN])
    apart = []
    for target, measure in ((t, m) for t, m in found if not t.shortfall(m.value)):
        typical = _middle(group, measure.name)
        apart.append((abs(measure.value - typical.value) / target.tolerance, measure, typical))
    apart.sort(key=lambda a: -a[0])
    telling = [say.within(m, t) for distance, m, t in apart[: REASONS_SHOWN - 1] if distance > 0]
    sentences = say.sentences
    return (sentences.about_within if outside else sentences.all_within, *telling)


def _middle(group: Sequence[MeasuredStroke], name: str) -> Measure:
    """A measure as the group's middle stroke has it, the upper one of two."""
    measured = [m for s in group if (m := s.measure(name)) is not None and m.measured]
    return sorted(measured, key=lambda m: m.value)[len(measured) // 2]


def load_targets(path: Path | None = None) -> TargetBook:
    """The targets that ship with the package, or those of a file of the same form.

    Raises
    ------
    SettingsError
        When the file is missing or not a book of targets.
    """
    from paddlebrief.settings import read_yaml

    return read_yaml(TargetBook, path, default="targets.yaml")
