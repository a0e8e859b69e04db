"""Linked arcs become chains whose breaks are named, fitted, checked and cut where they fail."""

from dataclasses import dataclass
from enum import Enum

import numpy as np

from paddlebrief.ball.arcs import best_cut, cut_at_turns
from paddlebrief.ball.fit import ChainFit, Layout, fit_chain
from paddlebrief.ball.flight import drag_per_m
from paddlebrief.ball.joints import Joint
from paddlebrief.ball.records import BallCamera, BreakKind, Candidates
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.start import Chain, guess_flights

__all__ = ["INLIER", "Linked", "fit_linked", "flying_arcs", "link_arcs"]

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
_GUESS_MEDIAN = 5.0
_LEAST_WAY_M, _LEAST_S, _LEAST_COUNT = 2.0, 0.3, 9
_USUAL_FLIGHT_S = 0.3
_ROUGHLY = 0.5
_DOUBTFUL_TURN, _SURE_TURN = 8.0, 60.0


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
    long as flights between two touches do.
    """
    kept = []
    for arc in arcs:
        if _falls(arc, candidates, camera, settings):
            kept += cut_at_turns(arc, candidates, settings)
            continue
        pieces = cut_at_turns(arc, candidates, settings)
        if len(pieces) == 1 and len(pieces[0]) == len(arc):
            cut = best_cut(arc, candidates, least=_DOUBTFUL_TURN, settings=settings)
            pieces = [arc] if cut is None else [arc[:cut], arc[cut:]]
        ends = np.array([p[[0, -1]] for p in pieces], int).reshape(-1, 2)
        spans = np.diff(candidates.time_s[ends])
        if len(pieces) and spans.mean() > _USUAL_FLIGHT_S:
            kept += [p for p in pieces if _falls(p, candidates, camera, settings)]
    return sorted(kept, key=lambda a: a[0])


def _falls(arc: np.ndarray, candidates, camera, settings) -> bool:
    alone = _chain(Linked(arcs=(arc,), joints=()), (), candidates)
    guess = guess_flights(alone, camera, settings)
    place = np.median(guess.places_m, axis=0)
    return bool(
        np.median(guess.off) < _GUESS_MEDIAN
        and np.all(np.abs(place[:2]) < 1.5 * _ROOM_M)
        and -2.0 < place[2] < _HIGHEST_M
    )


def fit_linked(
    linked: Linked, candidates: Candidates, camera: BallCamera, settings: BallTrackSettings
) -> list[ChainFit]:
    """Fit linked arcs; cut where they do not fly as one ball, drop what does not fly at all."""
    arcs, joints, kinds = [linked.arcs[0]], [], []
    for k, joint in enumerate(linked.joints):
        kind = _kind(linked.part(k, k + 2), candidates, camera, settings)
        if kind is _Happening.NOTHING:
            arcs[-1] = np.concatenate([arcs[-1], linked.arcs[k + 1]])
            continue
        arcs.append(linked.arcs[k + 1])
        joints.append(joint)
        kinds.append(kind)
    whole = Linked(arcs=tuple(arcs), joints=tuple(joints))
    return _fit_part(whole, kinds, candidates, camera, settings)


def _fit_part(linked: Linked, kinds, candidates, camera, settings) -> list[ChainFit]:
    count = len(linked.arcs)
    if None in kinds:
        cut = kinds.index(None) + 1
    elif count > settings.max_flights:
        hits = [k + 1 for k, kind in enumerate(kinds) if kind is BreakKind.HIT]
        cut = min(hits or range(1, count), key=lambda k: abs(k - count / 2))
    else:
        fit = _fit(linked, kinds, candidates, camera, settings)
        if fit is not None:
            sound = _sound_flights(fit, settings)
            if sound.all():
                return [fit] if _goes_far(fit) else []
            cut = _first_change(sound)
        else:
            cut = count // 2
        if count == 1:
            return []
    return [
        fit
        for first, stop in ((0, cut), (cut, count))
        for fit in _fit_part(
            linked.part(first, stop), kinds[first : stop - 1], candidates, camera, settings
        )
    ]


def _first_change(sound: np.ndarray) -> int:
    changes = np.flatnonzero(np.diff(sound.astype(int)))
    return int(changes[0]) + 1 if len(changes) else max(len(sound) // 2, 1)


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


def _fit(linked, kinds, candidates, camera, settings, **how) -> ChainFit | None:
    chain = _chain(linked, kinds, candidates)
    guess = guess_flights(chain, camera, settings)
    return fit_chain(chain, guess, camera, settings, **how)


def _near_joint(pair: Linked, candidates: Candidates) -> Linked:
    at, time = pair.joints[0].time_s, candidates.time_s
    arcs = tuple(a[np.abs(time[a] - at) < _PAIR_S] for a in pair.arcs)
    return Linked(arcs=arcs, joints=pair.joints)


def _kind(pair: Linked, candidates, camera, settings) -> BreakKind | None | _Happening:
    """The likeliest of a bounce, a hit and nothing between two arcs; None where none fits."""
    pair = _near_joint(pair, candidates)
    whole = Linked(arcs=(np.concatenate(pair.arcs),), joints=())
    best, least = None, np.inf
    for kind in (_Happening.NOTHING, BreakKind.BOUNCE, BreakKind.HIT):
        one = kind is _Happening.NOTHING
        if one and pair.joints[0].turn > _SURE_TURN:
            continue
        kinds = [] if one else [kind]
        fit = _fit(
            whole if one else pair, kinds, candidates, camera, settings, settled=_ROUGHLY
        )
        if fit is None or np.median(fit.residual) > _WORST_MEDIAN:
            continue
        evidence = fit.evidence
        if not one:
            place, velocity = _at_break(fit, settings)
            if kind is BreakKind.BOUNCE and not velocity[0, 2] < 0 < velocity[1, 2]:
                continue
            if kind is BreakKind.HIT and place[0, 2] < _LOW_HIT_M:
                evidence += _LOW_HIT_COST
        if evidence < least:
            best, least = kind, evidence
    return best


def _at_break(fit: ChainFit, settings: BallTrackSettings) -> tuple[np.ndarray, np.ndarray]:
    """Places and velocities (2, 3) of a pair before and after its break."""
    layout = Layout(2)
    paths = layout.paths(fit.parameters, fit.chain.spans_s, drag_per_m(settings.drag_coefficient))
    since = fit.parameters[layout.at_break(0)] - fit.chain.anchors_s
    return paths.at(np.array([0, 1]), since)


def _sound_flights(fit: ChainFit, settings: BallTrackSettings) -> np.ndarray:
    """(m,) whether each flight is one that a ball can make, on or near the court."""
    layout, chain = Layout(fit.chain.flights), fit.chain
    paths = layout.paths(fit.parameters, chain.spans_s, drag_per_m(settings.drag_coefficient))
    place, velocity = paths.at(fit.owner, chain.time_s - chain.anchors_s[fit.owner])
    speed = np.linalg.norm(velocity, axis=1)
    sound = np.zeros(layout.flights, bool)
    for f in range(layout.flights):
        of = fit.owner == f
        if of.sum() < 3:
            continue
        sound[f] = (
            np.median(fit.residual[of]) < _WORST_MEDIAN
            and np.mean(fit.residual[of] < INLIER) > 0.7
            and np.all(np.abs(place[of, :2]) < _ROOM_M)
            and place[of, 2].min() > _LOWEST_M
            and place[of, 2].max() < _HIGHEST_M
            and _SPEED_MPS[0] < speed[of].max() < _SPEED_MPS[1]
        )
    return sound


def _goes_far(fit: ChainFit) -> bool:
    """Whether a chain lasts and travels as a ball in play does, so that gravity shows."""
    states = fit.parameters[: 9 * fit.chain.flights].reshape(-1, 9)
    way = np.linalg.norm(states[:, 3:6], axis=1) * fit.chain.spans_s
    time = fit.chain.time_s
    return bool(way.sum() > _LEAST_WAY_M and time[-1] - time[0] > _LEAST_S and len(time) >= _LEAST_COUNT)
