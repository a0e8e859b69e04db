"""Drawn court scenes of all kinds, by number, and how far a solved camera is off in them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.court import Court
from paddlebrief.court.adjust import Priors
from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    NET_CENTRE_HEIGHT_M,
    NET_SIDE_HEIGHT_M,
    line_rectangles_m,
)
from paddlebrief.court.solve import CourtSpan
from tests.courts import Eye, Floor, badminton_lines, draw_floor, stand_people

PLACES = ("behind", "side", "corner")
COLOURS = (
    ((150, 92, 48), (74, 120, 62)),  # blue in green
    ((78, 112, 62), (66, 78, 150)),  # green in red
    ((128, 126, 122), (128, 126, 122)),  # grey all over
    ((94, 142, 184), (94, 142, 184)),  # wood
    ((140, 84, 96), (96, 54, 34)),  # purple in dark blue
)


@dataclass(frozen=True)
class CourtScene:
    """A picture with the camera that saw it."""

    name: str
    eye: Eye
    floor: Floor
    picture_bgr: np.ndarray


def make_eye(place: str, rng: np.random.Generator) -> Eye:
    """A camera as a club would put it."""
    height = rng.uniform(1.7, 4.5)
    view = rng.uniform(58, 88)
    if place == "behind":
        at = (rng.uniform(-1.5, 1.5), -6.7 - rng.uniform(3.5, 7.5))
        aim = (rng.uniform(-0.4, 0.4), rng.uniform(-3, 0), 0.6)
    elif place == "side":
        along = rng.uniform(-4.5, -2.5)
        at = (rng.choice([-1, 1]) * (3.05 + rng.uniform(3.5, 7)), along)
        aim = (0, along + rng.uniform(-0.5, 1.0), 0.6)
    else:
        side, reach = rng.choice([-1, 1]), rng.uniform(2.5, 5)
        at = (side * (3.05 + reach * rng.uniform(0.6, 1)), -6.7 - reach)
        aim = (-side * 0.3, rng.uniform(-3.2, -1), 0.6)
    return Eye(
        position_m=(*map(float, at), float(height)),
        aim_m=tuple(map(float, aim)),
        view_deg=float(view),
        size_px=(1280, 720) if rng.uniform() < 0.7 else (1920, 1080),
        distortion=(float(rng.uniform(-0.12, 0.01)), float(rng.uniform(0, 0.03)), 0.0, 0.0),
        roll_deg=float(rng.normal(0, 1.5)),
    )


def make_scene(
    place: str, seed: int, *, rays: int = 8, size_px: tuple[int, int] | None = None
) -> CourtScene:
    """A scene with people in the way, and by chance shadow, wear and lines of other games."""
    rng = np.random.default_rng([seed, PLACES.index(place)])
    eye = make_eye(place, rng)
    if size_px is not None:
        eye = replace(eye, size_px=size_px)
    court, around = COLOURS[rng.integers(len(COLOURS))]
    floor = Floor(court_bgr=court, around_bgr=around, wear=float(rng.choice([0, 0.1, 0.3])))
    floor = replace(floor, **_laid_out(rng))
    if rng.uniform() < 0.3:
        colour = [(40, 40, 200), (40, 190, 220), (180, 60, 30)][rng.integers(3)]
        floor = replace(floor, others=[(r, colour) for r in badminton_lines()])
    if rng.uniform() < 0.3:
        angle = rng.uniform(0, 2 * np.pi)
        floor = replace(floor, shadow=(np.cos(angle), np.sin(angle), rng.uniform(-4, 2)))
    picture = draw_floor(eye, floor, seed=seed, noise=float(rng.uniform(1, 4)), rays=rays)
    people = [(rng.uniform(-3.2, 3.2), rng.uniform(-8, 7)) for _ in range(rng.integers(1, 5))]
    picture = stand_people(picture, eye, people, seed=seed)
    return CourtScene(name=f"{place} {seed}", eye=eye, floor=floor, picture_bgr=picture)


def _laid_out(rng: np.random.Generator) -> dict:
    """Lines and net as far off the rulebook's places as the solver expects of a court."""
    priors = Priors()
    lines = []
    for x0, y0, x1, y1 in line_rectangles_m().values():
        off = rng.normal(0, priors.paint_m)
        dx, dy = (off, 0.0) if x1 - x0 < y1 - y0 else (0.0, off)
        lines.append((x0 + dx, y0 + dy, x1 + dx, y1 + dy))
    net = rng.normal(0, priors.net_m / 2)
    return {"lines": lines, "net_m": (NET_SIDE_HEIGHT_M + net, NET_CENTRE_HEIGHT_M + net)}


@dataclass(frozen=True)
class CourtError:
    """How far a solved camera is off.

    ``near_m`` and ``far_m`` are median ground errors along the baselines, ``worst_m`` the largest
    anywhere that the solved camera places things, ``in_view_m`` the largest within the picture,
    ``net_px`` the largest at
    the net's top within the picture (NaN when none is), ``inside`` the (n,) truth values of
    places that lie within their 95 % region.
    """

    near_m: float
    far_m: float
    worst_m: float
    in_view_m: float
    net_px: float
    inside: np.ndarray


def court_error(camera: SolvedCamera, eye: Eye) -> CourtError:
    """Compare a solved camera with the true one, all over the court."""
    x, y = COURT_WIDTH_M / 2, COURT_LENGTH_M / 2
    ends = [_ground_error(camera, eye, [(v, s * y) for v in np.linspace(-x, x, 7)])[0]
            for s in (-1, 1)]  # fmt: skip
    grid = [(a, b) for a in np.linspace(-x, x, 5) for b in np.linspace(-y, y, 9)]
    errors, inside = _ground_error(camera, eye, grid)
    seen = eye.project([(*place, 0.0) for place in grid])
    with np.errstate(invalid="ignore"):
        seen = np.all((seen >= 0) & (seen <= np.array(eye.size_px) - 1), axis=1)
    top = np.array([(-x, 0, NET_SIDE_HEIGHT_M), (0, 0, NET_CENTRE_HEIGHT_M),
                    (x, 0, NET_SIDE_HEIGHT_M)])  # fmt: skip
    true = eye.project(top)
    with np.errstate(invalid="ignore"):
        shown = np.all((true >= 0) & (true <= np.array(eye.size_px) - 1), axis=1)
    net = np.linalg.norm(camera.project(top) - true, axis=1)[shown]
    return CourtError(
        near_m=float(np.nanmedian(ends[0])) if np.isfinite(ends[0]).any() else np.nan,
        far_m=float(np.nanmedian(ends[1])) if np.isfinite(ends[1]).any() else np.nan,
        worst_m=float(np.nanmax(errors)),
        in_view_m=float(np.nanmax(errors[seen])),
        net_px=float(net.max()) if len(net) else np.nan,
        inside=inside,
    )


def _ground_error(
    camera: SolvedCamera, eye: Eye, places: Sequence[tuple[float, float]]
) -> tuple[np.ndarray, np.ndarray]:
    """(n,) distances in metres, NaN where nothing is placed; truth values of those in regions."""
    truth = np.array([(x, y, 0.0) for x, y in places])
    px = eye.project(truth)
    ahead = np.all(np.isfinite(px), axis=1)
    found, covariance = camera.ground(px[ahead])
    gap = found - truth[ahead, :2]
    errors = np.full(len(truth), np.nan)
    errors[ahead] = np.linalg.norm(gap, axis=1)
    known = np.isfinite(gap).all(axis=1)
    away = np.einsum("ni,nij,nj->n", gap[known], np.linalg.inv(covariance[known]), gap[known])
    return errors, away < 5.991  # chi-squared, 2 degrees of freedom, 95 %


def level_court() -> Court:
    """A court seen by a level camera 1.8 m up, 10 m before the net, that looks along it."""
    view = View(
        focal_px=1000.0, centre_px=np.array([640.0, 360.0]), distortion=np.zeros(2),
        rotation=np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]]),
        position_m=np.array([0.0, -10.0, 1.8]), size_px=(1280, 720),
    )  # fmt: skip
    camera = SolvedCamera(view=view, covariance=np.zeros((len(PARAMETERS),) * 2))
    return Court(
        spans=(
            CourtSpan(
                start_s=0.0, end_s=10.0, camera=camera, found_share=1.0, residual_px=0.2,
                worst_sd_m=0.01, drift_px=0.0,
            ),
        )
    )  # fmt: skip
