"""Linked arcs become chains whose breaks are named, fitted, checked and cut where they fail."""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from paddlebrief.ball.arcs import cut_at_turns, likely_cuts
from paddlebrief.ball.fit import ChainFit, Layout, fit_chain
from paddlebrief.ball.flight import drag_per_m
from paddlebrief.ball.joints import Joint, interval_s, meet
from paddlebrief.ball.records import BallCamera, BreakKind, Candidates
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.start import Chain, guess_flights

__all__ = ["INLIER", "Builder", "Linked", "falls", "flying_arcs", "link_arcs", "sound_flights"]

_PAIR_S = 0.4
_ROOM_M = np.array([10.0, 15.0])
_LOWEST_M, _HIGHEST_M = -0.25, 9.0
_SPEED_MPS = (1.0, 40.0)
"""A smash seen in play reaches 31 m/s (70 mph; secondary source, weak)."""
_WORST_MEDIAN = 2.6
_LOW_HIT_M, _LOW_HIT_COST = 0.35, 8.0
"""People seldom hit so low, and one camera hardly tells such a hit from a bounce."""
INLIER = 4.5
"""Standard deviations within which a candidate belongs to its flight."""
_INLIER_SHARE = 0.7
_GUESS_MEDIAN, _LEFT_OUT = 5.0, 25.0
_LEAST_WAY_M, _LEAST_S = 2.0, 0.35
_LEAST_COUNT, _LEAST_IN_FLIGHT = 11, 7
_USUAL_FLIGHT_S, _MOST_OF_ARC = 0.3, 0.6
_LONGEST_ARC_S, _CUTS_TRIED = 3.0, 8
_PARTED, _LEAST_CLEAR = 6.0, 4
_ROUGHLY = 0.5
_DOUBTFUL_TURN, _SURE_TURN = 6.0, 60.0
"""Turns (see `turn_of`): of an arc that cannot be one flight, 1 in 20 places without a bounce looks
as doubtful; one that is sure cannot be noise."""


class _Happening(Enum):
    """What is no break: the ball flies on."""

    NOTHING = "nothing"


@dataclass(frozen=True, kw_only=True)
class Linked:
    """Arcs of one ball in order, and the joints between them."""

    arcs: tuple[np.ndarray, ...]
    joints: tuple[Joint, ...]

    def part(self, first: int, stop: int) -> "Linked":
        """Arcs ``first`` to ``stop`` − 1."""
        return Linked(arcs=self.arcs[first:stop], joints=self.joints[first : stop - 1])

    def near_joint(self, number: int, candidates: Candidates) -> "Linked":
        """The two arcs at a joint, as far as they lie near it."""
        pair = self.part(number, number + 2)
        off = [np.abs(candidates.time_s[a] - pair.joints[0].time_s) for a in pair.arcs]
        near = tuple(a[o < _PAIR_S] for a, o in zip(pair.arcs, off, strict=True))
        return Linked(arcs=near, joints=pair.joints)

    def clear_of_joint(self, number: int, candidates: Candidates) -> "Linked":
        """The same without what lies within a frame of a joint, where enough is left."""
        reach_s = interval_s(candidates)
        arcs = list(self.arcs)
        for k in (number, number + 1):
            off = np.abs(candidates.time_s[arcs[k]] - self.joints[number].time_s)
            if np.sum(off > reach_s) >= _LEAST_CLEAR:
                arcs[k] = arcs[k][off > reach_s]
        return Linked(arcs=tuple(arcs), joints=self.joints)


def link_arcs(arcs: list[np.ndarray], joints: list[Joint]) -> list[Linked]:
    """Arcs put in a row by their joints; an arc without one stands alone."""
    after = {j.before: j for j in joints}
    entered = {j.after for j in joints}
    linked = []
    for first in (k for k in range(len(arcs)) if k not in entered):
        row, used = [first], []
        while row[-1] in after:
            used.append(after[row[-1]])
            row.append(used[-1].after)
        linked.append(Linked(arcs=tuple(arcs[k] for k in row), joints=tuple(used)))
    return linked


def flying_arcs(
    arcs: list[np.ndarray],
    candidates: Candidates,
    camera: BallCamera,
    settings: BallTrackSettings,
) -> list[np.ndarray]:
    """Arcs, or pieces of them, that gravity can explain, found with first guesses only.

    An arc that is not one flight is cut where it turns. Hands and shoes move smoothly as well,
    and short pieces of their paths look like flights; so what is left must last, on average, as
    long as flights between two touches do, and be most of the arc.
    """
    kept = []
    for arc in arcs:
        pieces = _falling_pieces(arc, candidates, camera, settings)
        spans = [np.ptp(candidates.time_s[p]) for p in pieces]
        whole = len(pieces) == 1 and len(pieces[0]) == len(arc)
        lasts = pieces and np.mean(spans) > _USUAL_FLIGHT_S
        if whole or (lasts and sum(map(len, pieces)) > _MOST_OF_ARC * len(arc)):
            kept += [p for piece in pieces for p in cut_at_turns(piece, candidates, settings)]
    return sorted(kept, key=lambda a: a[0])


def _falling_pieces(arc: np.ndarray, candidates, camera, settings) -> list[np.ndarray]:
    """The pieces of an arc that are flights, cut at some of its likely turns.

    Of all ways to cut, the one that costs least: the squared distances of what is kept, no more
    than `_LEFT_OUT` each, that for each candidate left out, and for each piece as much as for the
    fewest candidates of a flight, since so few fit anywhere.
    """
    if falls(arc, candidates, camera, settings):
        return [arc]
    if np.ptp(candidates.time_s[arc]) > _LONGEST_ARC_S:
        return []
    cuts = likely_cuts(arc, candidates, least=_DOUBTFUL_TURN, most=_CUTS_TRIED, settings=settings)
    edges = sorted({0, *cuts, len(arc)})
    best: list[tuple[float, list[np.ndarray]]] = [(0.0, [])]
    for stop in range(1, len(edges)):
        cost, pieces = best[stop - 1]
        ways = [(cost + _LEFT_OUT * (edges[stop] - edges[stop - 1]), pieces)]
        for start in range(stop):
            piece = arc[edges[start] : edges[stop]]
            if settings.min_points <= len(piece) < len(arc):
                cost, pieces = best[start]
                cost += _misfit(piece, candidates, camera, settings)
                ways.append((cost + _LEFT_OUT * settings.min_points, [*pieces, piece]))
        best.append(min(ways, key=lambda way: way[0]))
    return best[-1][1]


def falls(
    arc: np.ndarray, candidates: Candidates, camera: BallCamera, settings: BallTrackSettings
) -> bool:
    """Whether an arc may be one flight, by a first guess."""
    return bool(np.isfinite(_misfit(arc, candidates, camera, settings)))


def _misfit(arc: np.ndarray, candidates, camera, settings) -> float:
    """Squared distances of an arc as one flight, no more than `_LEFT_OUT` each; infinite where it
    cannot be one."""
    alone = _chain(Linked(arcs=(arc,), joints=()), [], candidates)
    guess = guess_flights(alone, camera, settings)
    place = np.median(guess.places_m, axis=0)
    possible = (
        np.median(guess.off) < _GUESS_MEDIAN
        and np.all(np.abs(place[:2]) < 1.5 * _ROOM_M)
        and -2.0 < place[2] < _HIGHEST_M
    )
    return float(np.sum(np.minimum(guess.off**2, _LEFT_OUT))) if possible else np.inf


@dataclass(frozen=True, kw_only=True)
class Builder:
    """Makes chains of linked arcs."""

    candidates: Candidates
    camera: BallCamera
    width_px: float
    settings: BallTrackSettings

    def fit(self, linked: Linked) -> list[ChainFit]:
        """Fit linked arcs; cut where they do not fly as one ball, drop what does not fly."""
        arcs, joints, kinds = [linked.arcs[0]], [], []
        for k, joint in enumerate(linked.joints):
            kind = self._kind(linked, k)
            if kind is _Happening.NOTHING:
                arcs[-1] = np.concatenate([arcs[-1], linked.arcs[k + 1]])
                continue
            arcs.append(linked.arcs[k + 1])
            joints.append(joint)
            kinds.append(kind)
        whole = Linked(arcs=tuple(arcs), joints=tuple(joints))
        hits = [k for k, kind in enumerate(kinds) if kind is BreakKind.HIT]
        wrong = [k for k in hits if self._parts_two_balls(whole, kinds, k)]
        return self._fit_part(whole, [None if k in wrong else kd for k, kd in enumerate(kinds)])

    def _fit_part(self, linked: Linked, kinds: list) -> list[ChainFit]:
        count = len(linked.arcs)
        if None in kinds:
            return self._in_two(linked, kinds, kinds.index(None) + 1)
        if count > self.settings.max_flights:
            return self._in_two(linked, kinds, _weakest(linked, kinds) + 1)
        fit = self._fitted(linked, kinds)
        if fit is None:
            return [] if count == 1 else self._in_two(linked, kinds, _weakest(linked, kinds) + 1)
        sound = sound_flights(fit, self.settings)
        if not sound.all():
            return [] if count == 1 else self._without(linked, kinds, _worst(fit, sound))
        return [fit] if _goes_far(fit) else []

    def _in_two(self, linked: Linked, kinds: list, cut: int) -> list[ChainFit]:
        count = len(linked.arcs)
        return [
            fit
            for first, stop in ((0, cut), (cut, count))
            for fit in self._fit_part(linked.part(first, stop), kinds[first : stop - 1])
        ]

    def _without(self, linked: Linked, kinds: list, arc: int) -> list[ChainFit]:
        """Fits of a chain whose neighbours of one arc are joined over it, and of that arc alone."""
        alone = self._fit_part(linked.part(arc, arc + 1), [])
        before, after = linked.part(0, arc), linked.part(arc + 1, len(linked.arcs))
        if not before.arcs or not after.arcs:
            rest, left = (after, kinds[1:]) if not before.arcs else (before, kinds[:-1])
            return [*self._fit_part(rest, left), *alone]
        joint = meet(before.arcs[-1], after.arcs[0], self.candidates, self.width_px, numbers=(0, 1))
        if joint is None:
            parts = ((before, kinds[: arc - 1]), (after, kinds[arc + 1 :]))
            return [*(f for part, left in parts for f in self._fit_part(part, left)), *alone]
        bridged = Linked(
            arcs=(*before.arcs, *after.arcs), joints=(*before.joints, joint, *after.joints)
        )
        kind = self._kind(bridged, arc - 1)
        if kind is _Happening.NOTHING:
            kind = None
        return [*self._fit_part(bridged, [*kinds[: arc - 1], kind, *kinds[arc + 1 :]]), *alone]

    def _parts_two_balls(self, linked: Linked, kinds: list, hit: int) -> bool:
        """Whether what looks like a hit is two balls that cross in the picture.

        With the flight before and the one after, whose bounces tell the distance, they are then
        likelier apart than joined. What was seen within a frame of the hit is left out: there the
        paddle hides part of the ball, and one of the network's frames lies beyond the hit.
        """
        cut, first, stop = hit + 1, max(hit - 1, 0), min(hit + 3, len(linked.arcs))
        if hit > 0 and kinds[hit - 1] is not BreakKind.BOUNCE:
            first = hit
        if stop == hit + 3 and kinds[hit + 1] is not BreakKind.BOUNCE:
            stop = hit + 2
        clear = linked.clear_of_joint(hit, self.candidates)
        fits = [
            self._fitted(clear.part(a, b), kinds[a : b - 1])
            for a, b in ((first, stop), (first, cut), (cut, stop))
        ]
        if None in fits:
            return False
        joined, *parts = (f.evidence for f in fits)
        return sum(parts) < joined - _PARTED

    def _fitted(self, linked: Linked, kinds: list, **how) -> ChainFit | None:
        chain = _chain(linked, kinds, self.candidates)
        guess = guess_flights(chain, self.camera, self.settings)
        return fit_chain(chain, guess, self.camera, self.settings, **how)

    def _kind(self, linked: Linked, number: int) -> BreakKind | _Happening | None:
        """The likeliest of a bounce, a hit and nothing at a joint; None where none fits."""
        pair = linked.near_joint(number, self.candidates)
        if min(map(len, pair.arcs)) == 0:
            return None
        best, least = None, np.inf
        for kind in (_Happening.NOTHING, BreakKind.BOUNCE, BreakKind.HIT):
            evidence = self._evidence(pair, kind)
            if evidence < least:
                best, least = kind, evidence
        return best

    def _evidence(self, pair: Linked, kind: BreakKind | _Happening) -> float:
        """−2 ln of the probability of two arcs with a kind of break; infinite where absurd."""
        if kind is _Happening.NOTHING:
            if pair.joints[0].turn > _SURE_TURN:
                return np.inf
            whole = Linked(arcs=(np.concatenate(pair.arcs),), joints=())
            fit = self._fitted(whole, [], settled=_ROUGHLY)
        else:
            fit = self._fitted(pair, [kind], settled=_ROUGHLY)
        if fit is None or np.median(fit.residual) > _WORST_MEDIAN:
            return np.inf
        if kind is _Happening.NOTHING:
            return fit.evidence
        place, velocity = _at_break(fit, self.settings)
        if kind is BreakKind.BOUNCE:
            return fit.evidence if velocity[0, 2] < 0 < velocity[1, 2] else np.inf
        return fit.evidence + (_LOW_HIT_COST if place[0, 2] < _LOW_HIT_M else 0.0)


def _weakest(linked: Linked, kinds: list) -> int:
    """The joint at which a chain is cut first: a hit, with the longest time unseen."""
    gaps = [j.gap_s + (0.0 if k is BreakKind.HIT else -1.0) + 1e-3 * j.cost
            for j, k in zip(linked.joints, kinds, strict=True)]  # fmt: skip
    return int(np.argmax(gaps))


def _worst(fit: ChainFit, sound: np.ndarray) -> int:
    """The unsound flight with the fewest candidates."""
    counts = np.bincount(fit.owner, minlength=len(sound)).astype(float)
    return int(np.argmin(np.where(sound, np.inf, counts)))


def _chain(linked: Linked, kinds, candidates: Candidates) -> Chain:
    rows = np.concatenate(linked.arcs)
    rows = rows[np.argsort(candidates.time_s[rows], kind="stable")]
    time = candidates.time_s[rows]
    breaks = np.clip([j.time_s for j in linked.joints], time[0] + 1e-3, time[-1] - 1e-3)
    return Chain(
        rows=rows,
        time_s=time,
        px=candidates.px[rows],
        sd_px=candidates.sd_px[rows],
        breaks_s=np.maximum.accumulate(breaks) if len(breaks) else np.zeros(0),
        kinds=tuple(kinds),
    )


def _at_break(fit: ChainFit, settings: BallTrackSettings) -> tuple[np.ndarray, np.ndarray]:
    """Places and velocities (2, 3) of a pair before and after its break."""
    layout = Layout(2)
    paths = layout.paths(fit.parameters, fit.chain.spans_s, drag_per_m(settings.drag_coefficient))
    since = fit.parameters[layout.at_break(0)] - fit.chain.anchors_s
    return paths.at(np.array([0, 1]), since)


def sound_flights(fit: ChainFit, settings: BallTrackSettings) -> np.ndarray:
    """(m,) whether each flight is one that a ball can make, on or near the court."""
    layout, chain = Layout(fit.chain.flights), fit.chain
    paths = layout.paths(fit.parameters, chain.spans_s, drag_per_m(settings.drag_coefficient))
    place, velocity = paths.at(fit.owner, chain.time_s - chain.anchors_s[fit.owner])
    speed = np.linalg.norm(velocity, axis=1)
    sound = np.zeros(layout.flights, bool)
    for f in range(layout.flights):
        all_of = fit.owner == f
        of = all_of & (fit.residual < INLIER)
        if of.sum() < 3:
            continue
        sound[f] = (
            np.median(fit.residual[all_of]) < _WORST_MEDIAN
            and of.sum() > _INLIER_SHARE * all_of.sum()
            and np.all(np.abs(place[of, :2]) < _ROOM_M)
            and place[of, 2].min() > _LOWEST_M
            and place[of, 2].max() < _HIGHEST_M
            and _SPEED_MPS[0] < speed[of].max() < _SPEED_MPS[1]
        )
    return sound


def _goes_far(fit: ChainFit) -> bool:
    """Whether a chain lasts and travels as a ball in play does, so that gravity shows."""
    good = fit.residual < INLIER
    states = fit.parameters[: 9 * fit.chain.flights].reshape(-1, 9)
    way = np.linalg.norm(states[:, 3:6], axis=1) @ fit.chain.spans_s
    return bool(
        way > _LEAST_WAY_M
        and np.ptp(fit.chain.time_s[good]) > _LEAST_S
        and good.sum() >= _LEAST_COUNT
        and np.bincount(fit.owner[good]).max() >= _LEAST_IN_FLIGHT
    )
