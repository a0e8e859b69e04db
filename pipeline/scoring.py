"""Scores of one player's strokes of one kind and side, and how surely they differ.

A score says how far a stroke's measures lie outside what is asked for. Its uncertainty has two
parts: what is common to all strokes of a player in one recording, such as how wrong the camera's
place, the body's size or the turn network is about this body in these clothes, and what is the
stroke's own. The common part moves all of them the same way and cannot make one better than
another. So strokes are compared by the covariance of their scores, in which what is common is
common, and every question put to a ranking is put to that matrix: whether the group differs at
all, and which strokes lie off its middle.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator
from scipy.stats import norm

from paddlebrief.records import Measure, MeasuredStroke
from paddlebrief.statistics import clipped_moments

__all__ = ["Scores", "Target", "applied", "scored"]

_COMPARED_SHARE = 0.5
"""Share of a group's strokes in which a measure must have been taken to compare them by it."""
_COMMON = norm.ppf((np.arange(101) + 0.5) / 101)
_COMMON /= np.std(_COMMON)
"""A common error as it may be, in its standard uncertainties, each as likely as the other."""
_LEAST = 1e-9
_LEAST_POINTS = 1e-3
"""Scores that differ by less do not differ; keeps those of strokes far inside of full rank."""


class Target(BaseModel):
    """A range asked for in one measure; see config/targets.yaml."""

    model_config = ConfigDict(extra="forbid", frozen=True)

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


@dataclass(frozen=True, kw_only=True)
class Scores:
    """Scores of n strokes by the same targets.

    Attributes
    ----------
    strokes
        The n strokes that could be scored, in the order given.
    value
        (n,) 0 is inside every target; each unit below is one measure one tolerance off target.
    own_sd
        (n,) standard uncertainty of what is each stroke's own.
    covariance
        (n, n) of their errors: what strokes of one recording have in common lies off the
        diagonal too.
    """

    strokes: tuple[MeasuredStroke, ...]
    value: np.ndarray
    own_sd: np.ndarray
    covariance: np.ndarray

    @property
    def sd(self) -> np.ndarray:
        """(n,) standard uncertainty of each score by itself."""
        return np.sqrt(np.diag(self.covariance))


def scored(
    group: Sequence[MeasuredStroke], targets: Sequence[Target], *, min_weight_share: float
) -> Scores:
    """Scores of one player's strokes of one kind and side.

    The score is minus the weighted mean of how far each measure lies outside its target, in
    tolerances. All strokes are held to the same targets: those that half of them can be held to;
    a stand-in takes its measure's place for all or for none. What one stroke lacks of these
    counts as in the middle of the others, with their scatter as its uncertainty, so that nobody
    gains or loses by what could not be seen.

    The uncertainty is that of the distance from the range of a normally distributed value
    (`clipped_moments`), so that a value inside the range, near its edge, is in doubt too. An error
    that strokes of a recording have in common is taken through its whole distribution, the same
    for all of them, with what is their own around it: by the law of total covariance, scores
    vary together as their means do, and by themselves as they do around these means.

    Parameters
    ----------
    group
        May be empty.
    targets
        Of their kind.
    min_weight_share
        Share of the targets' weight that a stroke needs measured to be scored.
    """
    enough = [s for s in group if _weight_share(s, targets) >= min_weight_share]
    held = compared(enough, targets)
    n, whole = len(enough), sum(t.weight for t in held)
    if n == 0 or whole == 0:
        none = np.zeros(0)
        return Scores(strokes=(), value=none, own_sd=none, covariance=np.zeros((0, 0)))
    same = np.array([[a.recording == b.recording for b in enough] for a in enough])
    total, own, shared = np.zeros(n), np.full(n, _LEAST_POINTS**2), np.zeros((n, n))
    for target in held:
        share = target.weight / whole / target.tolerance
        found = _distances(target, [_taken(s, target.measure) for s in enough])
        total += share * found.value
        own += share**2 * found.own_var
        shared += share**2 * found.shared_cov * same
    return Scores(
        strokes=tuple(enough),
        value=-total,
        own_sd=np.sqrt(own),
        covariance=np.diag(own) + shared,
    )


def compared(group: Sequence[MeasuredStroke], targets: Sequence[Target]) -> list[Target]:
    """The targets by which a group's strokes are compared: see `scored`."""

    def often(name: str) -> bool:
        count = sum(_taken(s, name) is not None for s in group)
        return count > 0 and count >= _COMPARED_SHARE * len(group)

    return [
        t for t in targets if often(t.measure) and (t.instead_of is None or not often(t.instead_of))
    ]


def applied(stroke: MeasuredStroke, targets: Sequence[Target]) -> list[tuple[Target, Measure]]:
    """The targets that a stroke by itself can be held to, each with its measure.

    A target that stands in for another counts only where the other's measure was not taken.
    """
    return [
        (t, m)
        for t in targets
        if (m := _taken(stroke, t.measure)) is not None
        and (t.instead_of is None or _taken(stroke, t.instead_of) is None)
    ]


def _taken(stroke: MeasuredStroke, name: str) -> Measure | None:
    measure = stroke.measure(name)
    return measure if measure is not None and measure.measured else None


def _weight_share(stroke: MeasuredStroke, targets: Sequence[Target]) -> float:
    whole = sum(t.weight for t in targets if t.instead_of is None)
    found = sum(t.weight for t, _ in applied(stroke, targets))
    return found / whole if whole > 0 and found > 0 else -np.inf


@dataclass(frozen=True, kw_only=True)
class _Distances:
    """(n,) distances from a target's range, (n,) the variances that are the strokes' own, and
    (n, n) the covariance that they have in one recording; in the measure's unit, squared."""

    value: np.ndarray
    own_var: np.ndarray
    shared_cov: np.ndarray


def _distances(target: Target, measures: Sequence[Measure | None]) -> _Distances:
    known = np.array([m is not None for m in measures])
    taken = [m for m in measures if m is not None]
    value, own_sd, shared_sd = (
        np.array([getattr(m, name) for m in taken]) for name in ("value", "own_sd", "shared_sd")
    )
    may_be = value + _COMMON[:, None] * shared_sd
    expected, variance = clipped_moments(
        may_be, np.maximum(own_sd, _LEAST), low=target.low, high=target.high
    )
    off = expected - expected.mean(axis=0)
    away = np.maximum(np.maximum(target.low - value, value - target.high), 0.0)
    scatter = np.var(away, ddof=1) if len(away) > 1 else 0.0
    n = len(measures)
    all_away, shared_cov = np.full(n, away.mean()), np.zeros((n, n))
    all_away[known] = away
    shared_cov[np.ix_(known, known)] = off.T @ off / len(off)
    own_var = np.full(n, max(scatter, float(variance.mean() + np.mean(off**2))))
    own_var[known] = variance.mean(axis=0)
    return _Distances(value=all_away, own_var=own_var, shared_cov=shared_cov)
