"""The tracker's verb: candidates of a recording become tracks of balls in flight."""

import logging
from dataclasses import replace

import numpy as np

from paddlebrief.ball.arcs import cut_at_turns, find_arcs, fit_curve, moving_rows
from paddlebrief.ball.build import INLIER, Builder, falls, flying_arcs, link_arcs
from paddlebrief.ball.extend import Extender
from paddlebrief.ball.fit import ChainFit, Layout
from paddlebrief.ball.flight import drag_per_m
from paddlebrief.ball.joints import find_joints, merge_through_gaps
from paddlebrief.ball.planar import is_arc_of_ball, planar_track
from paddlebrief.ball.records import BallCamera, BallTrack, Break, BreakKind, Candidates, Flight
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.steady import STEADIED_PX_SHARE
from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.dimensions import net_height_m

__all__ = ["track_balls"]

log = logging.getLogger(__name__)

_AT_NET_M = 0.25
_STOPPED_SHARE = 0.5
_UNSEEN_S = 0.12
"""Longest time unseen at a break in the picture alone, where no physics tells whether something
else happened meanwhile."""


def track_balls(
    candidates: Candidates,
    *,
    camera: BallCamera | None,
    width_px: int,
    settings: BallTrackSettings,
) -> list[BallTrack]:
    """Balls in flight, in order of time; empty when nothing flies.

    Candidates that stay in place are left out, the others are put together to arcs in the
    picture, arcs that meet between frames to chains. With a solved court each chain is fitted as
    flights with gravity, drag and spin; what does not fly so is dropped, and what is left takes in
    weak candidates on its way and goes on through bounces. Without one, chains of arcs remain, their breaks timed where the arcs meet.

    Parameters
    ----------
    candidates
        Of a whole recording or a part of it; times in seconds on court.
    camera
        The solved camera, or None.
    width_px
        Width of the picture: the scale of speeds in it.
    settings
        Gates and physics.
    """
    if candidates.steadied and isinstance(camera, SolvedCamera):
        camera = replace(camera, shake_px=min(camera.shake_px, STEADIED_PX_SHARE * width_px))
    rows = moving_rows(candidates, settings)
    arcs = find_arcs(candidates, rows, width_px=width_px, settings=settings)
    if camera is not None:
        arcs = flying_arcs(arcs, candidates, camera, settings)
    else:
        pieces = [p for a in arcs for p in cut_at_turns(a, candidates, settings)]
        arcs = [p for p in pieces if is_arc_of_ball(p, candidates, width_px)]
    arcs = merge_through_gaps(
        arcs,
        candidates,
        width_px=width_px,
        settings=settings,
        may_be_one=lambda rows: camera is None or falls(rows, candidates, camera, settings),
    )
    joints = find_joints(arcs, candidates, width_px=width_px, settings=settings)
    if camera is None:
        joints = [j for j in joints if j.gap_s <= _UNSEEN_S]
    all_linked = link_arcs(arcs, joints)
    if camera is None:
        tracks = [planar_track(linked, candidates, width_px) for linked in all_linked]
    else:
        given = {
            "candidates": candidates, "camera": camera, "width_px": width_px, "settings": settings
        }  # fmt: skip
        builder = Builder(**given)
        fits = [fit for linked in all_linked for fit in builder.fit(linked)]
        fits = Extender(**given).extend(fits)
        tracks = [_track(f, candidates, camera, width_px, settings) for f in fits]
    tracks.sort(key=lambda t: t.start_s)
    log.info("%d candidates, %d arcs, %d tracks", len(candidates), len(arcs), len(tracks))
    return [replace(t, number=k + 1) for k, t in enumerate(tracks)]


def _track(
    fit: ChainFit,
    candidates: Candidates,
    camera: BallCamera,
    width_px: float,
    settings: BallTrackSettings,
) -> BallTrack:
    chain, layout = fit.chain, Layout(fit.chain.flights)
    breaks = _breaks(fit, layout, camera, settings)
    flights = []
    for f in range(layout.flights):
        rows = chain.rows[(fit.owner == f) & (fit.residual < INLIER)]
        state, anchor = layout.state(f), float(chain.anchors_s[f])
        position, velocity, rim = np.split(fit.parameters[state], 3)
        flights.append(
            Flight(
                start=breaks[f],
                end=breaks[f + 1],
                rows=rows,
                anchor_s=anchor,
                position_m=position,
                velocity_mps=velocity,
                rim_mps=rim,
                covariance=fit.covariance[state, state],
                curve_px=curve_px(rows, candidates, width_px, anchor),
                rms=float(np.sqrt(np.mean(fit.residual[fit.owner == f] ** 2) / 2)),
            )
        )
    return BallTrack(
        number=1, flights=tuple(flights), parameters=fit.parameters, covariance=fit.covariance
    )


def curve_px(rows: np.ndarray, candidates: Candidates, width_px: float, at_s: float) -> np.ndarray:
    """(4, 2) coefficients of 1, τ, τ², τ³ of the path in the picture around a time."""
    time, px, sd = candidates.time_s[rows], candidates.px[rows], candidates.sd_px[rows]
    curve = fit_curve(time, px, sd, width_px=width_px, anchor_s=at_s)
    return curve.terms / np.array([[1.0], [1.0], [2.0], [6.0]])


def _breaks(fit: ChainFit, layout: Layout, camera: BallCamera, settings) -> list[Break]:
    """Start, breaks between flights, end; each with its place and that one's covariance."""
    chain = fit.chain
    seen = chain.time_s[fit.residual < INLIER]
    times = [seen[0], *fit.parameters[layout.drag + 1 :], seen[-1]]
    owners = [0, *range(layout.flights)]
    kinds = [BreakKind.START, *chain.kinds, BreakKind.END]
    breaks = []
    for k, (time, owner, kind) in enumerate(zip(times, owners, kinds, strict=True)):
        inner = 0 < k < len(times) - 1
        row = layout.at_break(k - 1) if inner else None
        state, slope = _state_at(fit, layout, owner, row, float(time), settings)
        covariance = slope @ fit.covariance @ slope.T
        if kind is BreakKind.HIT and _in_net(fit, layout, k, state, settings):
            kind = BreakKind.NET
        breaks.append(
            Break(
                kind=kind,
                time_s=float(time),
                time_s_sd=float(np.sqrt(fit.covariance[row, row])) if inner else np.nan,
                px=camera.project(state[:3]),
                place_m=state[:3],
                covariance_m2=covariance[:3, :3],
            )
        )
    return breaks


def _state_at(fit: ChainFit, layout: Layout, flight: int, row: int | None, time_s, settings):
    """Place and velocity (6,) of a flight and their derivatives (6, p) by the parameters."""

    def state(x: np.ndarray) -> np.ndarray:
        paths = layout.paths(x, fit.chain.spans_s, drag_per_m(settings.drag_coefficient))
        since = (time_s if row is None else x[row]) - fit.chain.anchors_s[flight]
        return np.concatenate(paths.at(np.array([flight]), np.array([since])), axis=1)[0]

    return state(fit.parameters), numeric_slope(state, fit.parameters)


def numeric_slope(function, x: np.ndarray) -> np.ndarray:
    """(q, p) derivatives of a vector function (q,) of (p,) parameters by central differences."""
    steps = 1e-4 * np.eye(len(x))
    return np.stack([(function(x + s) - function(x - s)) / 2e-4 for s in steps], axis=1)


def _in_net(fit: ChainFit, layout: Layout, k: int, state: np.ndarray, settings) -> bool:
    """Whether what looked like a hit was the net: there, no higher than it, and slow after."""
    after, _ = _state_at(fit, layout, k, layout.at_break(k - 1), np.nan, settings)
    slowed = np.linalg.norm(after[3:]) < _STOPPED_SHARE * np.linalg.norm(state[3:])
    low = state[2] < net_height_m(float(state[0])) + 0.1
    return bool(abs(state[1]) < _AT_NET_M and low and slowed)
