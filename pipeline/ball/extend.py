"""Second pass: sure tracks go on through bounces and take in weak candidates on their way.

A flight that ends just above the ground says where its ball goes after the bounce, and so does one
that starts there about where it came from. Candidates within that reach become one more flight if
all of the chain still flies as one ball; chains that then meet at a hit become one. Nothing starts
here: without a sure flight there is none.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.arcs import find_arcs, moving_rows
from paddlebrief.ball.build import INLIER, sound_flights
from paddlebrief.ball.fit import ChainFit, Layout, fit_chain
from paddlebrief.ball.flight import BALL_RADIUS_M, Paths, drag_per_m, fly_many
from paddlebrief.ball.records import BallCamera, BreakKind, Candidates
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.start import Chain, guess_flights
from paddlebrief.ball.ties import KEPT_SHARE, KEPT_SHARE_SD
from paddlebrief.court.camera import SolvedCamera

__all__ = ["Extender"]

_DRAWS = 64
_GATE = 3.5
_WIDEST_PX, _WIDEST_WIDTHS = 12.0, 0.06
"""A gate wider than this takes in anything: of single candidates, and of a new flight's."""
_TO_GROUND_S, _AFTER_S, _BEFORE_S, _FIRST_S = 0.4, 1.2, 0.6, 0.15
_FASTEST_MPS = 28.0
"""Backwards in time drag makes fast balls faster without end: 1 / (k v) before, 0.8 s here."""
_ON_S, _UNSEEN_S, _LEAST_GAP_S = 0.2, 0.12, 0.05
_NOISE_PX = 0.7
_MOST_BOUNCES, _MORE_FLIGHTS = 4, 2
_FILLED_SHARE, _INLIER_SHARE = 0.5, 0.8
_SPACING_S = 0.01
_STILL_SHARE = 0.4
"""Far balls that come and go along the camera's axis hardly move, but more than a lamp."""
_LOWEST_M = -0.3
_MOST_OFF = 25.0  # metres, or metres a second


@dataclass(frozen=True)
class _Corridor:
    """Where a ball may be: (t,) times, (t, 2) pixels and (t, 2, 2) covariances there.

    ``noise_px`` is what candidates are off besides.
    """

    time_s: np.ndarray
    px: np.ndarray
    covariance: np.ndarray
    noise_px: float = _NOISE_PX

    def off(self, candidates: Candidates, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(n,) distances of candidates in standard deviations, and the gate's (n,) sizes there.

        Infinite before its first and after its last time.
        """
        time = candidates.time_s[rows]
        place = np.stack([np.interp(time, self.time_s, x) for x in self.px.T], axis=1)
        spread = self.covariance.reshape(len(self.time_s), 4).T
        cov = np.stack([np.interp(time, self.time_s, c) for c in spread], axis=1).reshape(-1, 2, 2)
        cov = cov + (candidates.sd_px[rows] ** 2 + self.noise_px**2)[:, None, None] * np.eye(2)
        away = candidates.px[rows] - place
        square = np.einsum("ni,nij,nj->n", away, np.linalg.inv(cov), away)
        beyond = (time < self.time_s[0]) | (time > self.time_s[-1])
        size = np.sqrt(np.linalg.eigvalsh(cov)[:, 1])
        return np.where(beyond, np.inf, np.sqrt(square / 2)), size


@dataclass(frozen=True, kw_only=True)
class Extender:
    """Extends fitted chains of one recording.

    Parameters
    ----------
    candidates, camera, width_px, settings
        As `track.track_balls` takes them.
    """

    candidates: Candidates
    camera: BallCamera
    width_px: float
    settings: BallTrackSettings

    def extend(self, fits: list[ChainFit]) -> list[ChainFit]:
        """The chains, in order, with what else of their balls was seen."""
        still_px = _STILL_SHARE * self.settings.still_px
        weak = self.settings.model_copy(
            update={"min_score": self.settings.weak_score, "still_px": still_px}
        )
        free = np.zeros(len(self.candidates), bool)
        free[moving_rows(self.candidates, weak)] = True
        for fit in fits:
            free[fit.chain.rows] = False
        out = []
        for fit in (part for whole in fits for part in self._parted(whole, free)):
            for step in (self._filled, self._forward, self._backward, self._filled):
                fit = step(fit, free)
                free[fit.chain.rows] = False
            out.append(fit)
        return self._joined(out)

    def _parted(self, fit: ChainFit, free: np.ndarray) -> list[ChainFit]:
        """A chain in two at a hit before which a bounce was overlooked; else as it is."""
        chain, breaks = fit.chain, _breaks_of(fit)
        for k in (k for k, kind in enumerate(chain.kinds) if kind is BreakKind.HIT):
            before = fit.owner <= k
            if not before.any() or before.all():
                continue
            unseen_s = chain.time_s[~before][0] - chain.time_s[before][-1]
            if unseen_s < _UNSEEN_S:
                continue
            left = self._fitted(chain.rows[before], chain.kinds[:k], breaks[:k])
            right = self._fitted(chain.rows[~before], chain.kinds[k + 1 :], breaks[k + 1 :])
            more = None if left is None else self._one_more(left, free, ahead=True)
            if more is not None and right is not None:
                return [more, *self._parted(right, free)]
        return [fit]

    def _joined(self, fits: list[ChainFit]) -> list[ChainFit]:
        """Chains with those put together that meet at a hit and are likelier one ball than two."""
        fits = sorted(fits, key=lambda f: f.chain.time_s[0])
        out: list[ChainFit] = []
        for fit in fits:
            pairs = ((k, self._at_hit(other, fit)) for k, other in enumerate(out))
            k, both = next((p for p in pairs if p[1] is not None), (0, None))
            if both is None:
                out.append(fit)
            else:
                out[k] = both
        return out

    def _at_hit(self, first: ChainFit, second: ChainFit) -> ChainFit | None:
        """Two chains as one with a hit between them; None where that is not likelier."""
        a, b = first.chain, second.chain
        gap_s = float(b.time_s[0] - a.time_s[-1])
        apart_px = float(np.linalg.norm(b.px[0] - a.px[-1]))
        most = self.settings.max_flights + _MORE_FLIGHTS
        if not 0 < gap_s < self.settings.join_s or a.flights + b.flights > most:
            return None
        if apart_px > self.settings.max_speed_widths * self.width_px * max(gap_s, _LEAST_GAP_S):
            return None
        kinds = (*a.kinds, BreakKind.HIT, *b.kinds)
        middle = (a.time_s[-1] + b.time_s[0]) / 2
        times = np.concatenate([_breaks_of(first), [middle], _breaks_of(second)])
        both = self._fitted(np.concatenate([a.rows, b.rows]), kinds, times)
        likelier = both is not None and both.evidence < first.evidence + second.evidence
        return both if likelier else None

    def _forward(self, fit: ChainFit, free: np.ndarray) -> ChainFit:
        return self._through_bounces(fit, free, ahead=True)

    def _backward(self, fit: ChainFit, free: np.ndarray) -> ChainFit:
        return self._through_bounces(fit, free, ahead=False)

    def _through_bounces(self, fit: ChainFit, free: np.ndarray, *, ahead: bool) -> ChainFit:
        for _ in range(_MOST_BOUNCES):
            if fit.chain.flights >= self.settings.max_flights + _MORE_FLIGHTS:
                break
            more = self._one_more(fit, free, ahead=ahead)
            if more is None:
                break
            fit = more
            free[fit.chain.rows] = False
        return fit

    def _one_more(self, fit: ChainFit, free: np.ndarray, *, ahead: bool) -> ChainFit | None:
        """The chain with the flight beyond its next bounce; None where nothing is seen of it."""
        bounce = self._bounce(fit, ahead=ahead)
        if bounce is None:
            return None
        corridor, at_s = bounce
        rows = np.flatnonzero(free)
        off, size = corridor.off(self.candidates, rows)
        rows = rows[(off < _GATE) & (size < _WIDEST_WIDTHS * self.width_px)]
        arcs = find_arcs(self.candidates, rows, width_px=self.width_px, settings=self.settings)
        arcs = [a for a in arcs if self._follows(a, at_s, ahead=ahead)]
        if not arcs:
            return None
        arc = max(arcs, key=len)
        chain, breaks = fit.chain, _breaks_of(fit)
        kinds = (*chain.kinds, BreakKind.BOUNCE) if ahead else (BreakKind.BOUNCE, *chain.kinds)
        times = np.append(breaks, at_s) if ahead else np.append(at_s, breaks)
        more = self._fitted(np.concatenate([chain.rows, arc]), kinds, times)
        new = -1 if ahead else 0
        if more is None or not _takes(more, arc, new % more.chain.flights):
            return None
        return more

    def _follows(self, arc: np.ndarray, at_s: float, *, ahead: bool) -> bool:
        """Whether an arc starts soon after a bounce, or ends soon before it, without long gaps."""
        time = self.candidates.time_s[arc]
        since = time[0] - at_s if ahead else at_s - time[-1]
        frames = self.candidates.frame_time_s
        looked = np.sum((frames >= time[0]) & (frames <= time[-1]))
        return bool(since < _FIRST_S and len(arc) > _FILLED_SHARE * looked)

    def _fitted(self, rows: np.ndarray, kinds, breaks_s: np.ndarray) -> ChainFit | None:
        rows = rows[np.argsort(self.candidates.time_s[rows], kind="stable")]
        time = self.candidates.time_s[rows]
        chain = Chain(
            rows=rows,
            time_s=time,
            px=self.candidates.px[rows],
            sd_px=self.candidates.sd_px[rows],
            breaks_s=np.clip(breaks_s, time[0] + 1e-3, time[-1] - 1e-3),
            kinds=tuple(kinds),
        )
        guess = guess_flights(chain, self.camera, self.settings)
        fit = fit_chain(chain, guess, self.camera, self.settings)
        sound = fit is not None and sound_flights(fit, self.settings).all()
        return fit if sound else None

    def _bounce(self, fit: ChainFit, *, ahead: bool) -> tuple[_Corridor, float] | None:
        """The corridor beyond the bounce after a chain's end (before its start), and its time."""
        draws, sign = _Draws(fit, self.settings), 1.0 if ahead else -1.0
        end_s = float(fit.chain.time_s[fit.residual < INLIER][-1 if ahead else 0])
        flight = fit.chain.flights - 1 if ahead else 0
        place, velocity = draws.at(flight, end_s)
        down = fly_many(
            place, velocity, drag=draws.drag, rim=draws.rim(flight),
            span_s=np.full(_DRAWS, sign * _TO_GROUND_S), longest_step_s=0.02,
        )  # fmt: skip
        since = _to_ground(down)
        if np.mean(np.isfinite(since)) < 0.9 or not np.isfinite(since[0]):
            return None
        since = np.where(np.isfinite(since), since, since[0])
        place, velocity = down.at(np.arange(_DRAWS), since)
        kept, up = draws.bounces(self.settings)
        factor = np.column_stack([kept, kept, -up])
        velocity = _capped(velocity * factor if ahead else velocity / factor)
        at_s = end_s + since
        corridor = self._corridor(draws, place, velocity, at_s, sign=sign)
        return corridor, float(at_s[0])

    def _corridor(self, draws: "_Draws", place, velocity, at_s, *, sign: float) -> _Corridor:
        """From a bounce to the next one of the likeliest draw; spin is not known there."""
        longest = _AFTER_S if sign > 0 else _BEFORE_S
        paths = fly_many(
            place, velocity, drag=draws.drag, rim=draws.fresh_rim(self.settings),
            span_s=np.full(_DRAWS, sign * longest), longest_step_s=0.02,
        )  # fmt: skip
        grounded = _to_ground(paths, leave=2)[0]
        last = abs(float(grounded)) if np.isfinite(grounded) else longest
        times = at_s[0] + sign * np.arange(0, last + 0.05, _SPACING_S)
        since = np.clip(sign * (times[None] - at_s[:, None]), 0, longest) * sign
        return self._seen(paths, since, times)

    def _seen(self, paths: Paths, since: np.ndarray, times: np.ndarray) -> _Corridor:
        """Where draws (d, t) after their starts are seen; places out of sight count for none."""
        number = np.repeat(np.arange(len(since)), since.shape[1])
        places = paths.at(number, since.ravel())[0]
        px = self.camera.project(places).reshape(*since.shape, 2)
        kept = np.isfinite(px).all(axis=(0, 2))
        px, times = px[:, kept], times[kept]
        if not len(times):
            return _Corridor(np.array([np.inf]), np.zeros((1, 2)), np.eye(2)[None])
        away = px - px[0]
        order = np.argsort(times)
        spread = np.einsum("dti,dtj->tij", away, away) / len(px)
        shake_px = self.camera.shake_px if isinstance(self.camera, SolvedCamera) else 0.0
        return _Corridor(times[order], px[0][order], spread[order], np.hypot(_NOISE_PX, shake_px))

    def _filled(self, fit: ChainFit, free: np.ndarray) -> ChainFit:
        """The chain with free candidates on its flights' ways, also a little before and after."""
        draws, breaks = _Draws(fit, self.settings), _breaks_of(fit)
        edges = [fit.chain.time_s[0] - _ON_S, *breaks, fit.chain.time_s[-1] + _ON_S]
        added: list[int] = []
        for flight in range(fit.chain.flights):
            times = np.arange(edges[flight], edges[flight + 1], _SPACING_S)
            rows = np.flatnonzero(free)
            corridor = self._on_flight(draws, flight, times)
            off, size = corridor.off(self.candidates, rows)
            near = (off < _GATE) & (_GATE * size < _WIDEST_PX)
            added += _nearest_of_frames(self.candidates.frame[rows[near]], off[near], rows[near])
        own = set(self.candidates.frame[fit.chain.rows].tolist())
        added = [r for r in added if int(self.candidates.frame[r]) not in own]
        if not added:
            return fit
        rows = np.concatenate([fit.chain.rows, np.array(added, int)])
        more = self._fitted(rows, fit.chain.kinds, breaks)
        return fit if more is None else more

    def _on_flight(self, draws: "_Draws", flight: int, times: np.ndarray) -> _Corridor:
        """Where a flight's ball is above the ground."""
        if not len(times):
            return _Corridor(np.array([np.inf]), np.zeros((1, 2)), np.eye(2)[None])
        place, velocity = draws.at(flight, float(times[0]))
        paths = fly_many(
            place, velocity, drag=draws.drag, rim=draws.rim(flight),
            span_s=np.full(_DRAWS, max(np.ptp(times), 1e-3)), longest_step_s=0.02,
        )  # fmt: skip
        since = times - times[0]
        high = paths.at(np.zeros(len(times), int), since)[0][:, 2] > 0
        return self._seen(paths, np.tile(since[high], (_DRAWS, 1)), times[high])


class _Draws:
    """Parameters of a fitted chain, drawn from their distribution; the first is its mean."""

    def __init__(self, fit: ChainFit, settings: BallTrackSettings) -> None:
        rng = np.random.default_rng(0)
        values, vectors = np.linalg.eigh(fit.covariance)
        modes = vectors * np.sqrt(np.maximum(values, 0))
        normal = rng.normal(0, 1, (_DRAWS, len(values)))
        normal[0] = 0
        self._fit, self._layout = fit, Layout(fit.chain.flights)
        x = fit.parameters + normal @ modes.T
        # What is hardly known at all would be drawn beyond what numbers can fly.
        self._x = np.clip(x, fit.parameters - _MOST_OFF, fit.parameters + _MOST_OFF)
        drag = self._x[:, self._layout.drag]
        np.clip(drag, -1, 1, out=drag)
        self._rng = rng
        self.drag = drag_per_m(settings.drag_coefficient) * np.exp(self._x[:, self._layout.drag])

    def rim(self, flight: int) -> np.ndarray:
        """(d, 3) spin of a flight."""
        return self._x[:, self._layout.state(flight)][:, 6:]

    def fresh_rim(self, settings: BallTrackSettings) -> np.ndarray:
        """(d, 3) spin of a flight of which nothing is known."""
        rim = self._rng.normal(0, settings.rim_speed_sd_mps, (_DRAWS, 3))
        rim[0] = 0
        return rim

    def at(self, flight: int, time_s: float) -> tuple[np.ndarray, np.ndarray]:
        """(d, 3) places and velocities of a flight's ball."""
        state = self._x[:, self._layout.state(flight)]
        since = time_s - float(self._fit.chain.anchors_s[flight])
        paths = fly_many(
            state[:, :3], state[:, 3:6], drag=self.drag, rim=state[:, 6:],
            span_s=np.full(_DRAWS, since if abs(since) > 1e-6 else 1e-6),
        )  # fmt: skip
        place, velocity = paths.at(np.arange(_DRAWS), np.full(_DRAWS, since))
        return place, _capped(velocity)

    def bounces(self, settings: BallTrackSettings) -> tuple[np.ndarray, np.ndarray]:
        """(d,) shares of the level and of the vertical speed that a bounce leaves."""
        kept = KEPT_SHARE + KEPT_SHARE_SD * self._rng.normal(0, 1, _DRAWS)
        up = settings.restitution + settings.restitution_sd * self._rng.normal(0, 1, _DRAWS)
        kept[0], up[0] = KEPT_SHARE, settings.restitution
        return np.clip(kept, 0.3, 1.1), np.clip(up, 0.3, 0.9)


def _capped(velocity_mps: np.ndarray) -> np.ndarray:
    """(d, 3) velocities no faster than a ball on its way to or from a bounce."""
    speed = np.linalg.norm(velocity_mps, axis=1, keepdims=True)
    return velocity_mps * np.minimum(1.0, _FASTEST_MPS / np.maximum(speed, 1e-9))


def _to_ground(paths: Paths, *, leave: int = 0) -> np.ndarray:
    """(b,) seconds until paths come down to the ground; NaN for those that do not.

    None is needed by those that start a little below it, as places are uncertain. The first
    ``leave`` steps do not count, for paths that start there.
    """
    height = paths.position_m[..., 2] - BALL_RADIUS_M
    below = height < 0
    below[:leave] = False
    first = np.argmax(below, axis=0)
    reached = below.any(axis=0) & (height[0] > _LOWEST_M)
    column = np.arange(height.shape[1])
    high, low = height[np.maximum(first - 1, 0), column], height[first, column]
    share = high / np.where(high == low, 1.0, high - low)
    return np.where(reached, np.where(first > 0, first - 1 + share, 0) * paths.step_s, np.nan)


def _breaks_of(fit: ChainFit) -> np.ndarray:
    """(m − 1,) fitted times of a chain's breaks."""
    return fit.parameters[Layout(fit.chain.flights).drag + 1 :]


def _takes(fit: ChainFit, arc: np.ndarray, flight: int) -> bool:
    """Whether a flight of a chain is made of an arc."""
    of = np.isin(fit.chain.rows, arc) & (fit.owner == flight) & (fit.residual < INLIER)
    return bool(of.sum() >= _INLIER_SHARE * len(arc))


def _nearest_of_frames(frames: np.ndarray, off: np.ndarray, rows: np.ndarray) -> list[int]:
    """The row with the least distance in each frame."""
    order = np.lexsort([off, frames])
    _, first = np.unique(frames[order], return_index=True)
    return rows[order[first]].tolist()
