"""A first guess of flights in metres: gravity gives the scale that one camera lacks.

With drag and lift taken from the guess before, a ball's place is linear in its state at the
start; that it lies on the rays of its pixels is linear as well, and so is that flights meet at
breaks and that bounces happen on the ground. A few rounds of linear least squares therefore find
the flights from nowhere.
"""

from dataclasses import dataclass

import numpy as np

from paddlebrief.ball.flight import GRAVITY_MPS2, drag_per_m, fly_many
from paddlebrief.ball.records import BallCamera, BreakKind
from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.ball.ties import make_tie

__all__ = ["Chain", "Guess", "guess_flights"]

_ROUNDS = 4
_LOOSE = 4.0
"""The breaks' times are first guesses here: 5 ms are 7 cm of a drive."""
_OUTLIER = 4.0
PLACE_MEAN_M = np.array([0.0, 0.0, 1.2])
PLACE_SD_M = np.array([8.0, 12.0, 3.0])
SPEED_SD_MPS = 20.0
_FASTEST_MPS = 40.0
_USUAL_MPS = np.array([0.0, 8.0, -4.0])


@dataclass(frozen=True, kw_only=True)
class Chain:
    """Flights of one ball that are fitted together.

    Attributes
    ----------
    rows
        Candidates of all flights, in order of time.
    time_s, px, sd_px
        Theirs.
    breaks_s, kinds
        (m − 1,) first guesses of the breaks between the m flights, and what they are.
    """

    rows: np.ndarray
    time_s: np.ndarray
    px: np.ndarray
    sd_px: np.ndarray
    breaks_s: np.ndarray
    kinds: tuple[BreakKind, ...]

    @property
    def flights(self) -> int:
        return len(self.kinds) + 1

    @property
    def anchors_s(self) -> np.ndarray:
        """(m,) times at which the flights' states are taken: their starts."""
        return np.concatenate([self.time_s[:1], self.breaks_s])

    @property
    def spans_s(self) -> np.ndarray:
        """(m,) lengths of the flights."""
        ends = np.concatenate([self.breaks_s, self.time_s[-1:]])
        return np.maximum(ends - self.anchors_s, 1e-3)


@dataclass(frozen=True, kw_only=True)
class Guess:
    """A first guess.

    Attributes
    ----------
    position_m, velocity_mps
        (m, 3) at the chain's anchors.
    places_m
        (n, 3) of the candidates.
    off
        (n,) their distances in standard deviations.
    """

    position_m: np.ndarray
    velocity_mps: np.ndarray
    places_m: np.ndarray
    off: np.ndarray


def guess_flights(chain: Chain, camera: BallCamera, settings: BallTrackSettings) -> Guess:
    """Guess the flights of a chain.

    Short arcs leave the distance open, and the guess may then be beyond what the camera sees;
    in that case it is made anew with a stronger leaning towards the middle of the court.
    """
    for lean in (1.0, 3.0, 9.0):
        guess = _guess(chain, camera, settings, lean)
        if np.all(np.isfinite(camera.project(guess.places_m))):
            break
    return guess


def _guess(chain: Chain, camera: BallCamera, settings: BallTrackSettings, lean: float) -> Guess:
    m = chain.flights
    owner = np.searchsorted(chain.breaks_s, chain.time_s, side="right")
    since = chain.time_s - chain.anchors_s[owner]
    ray = camera.ray(chain.px)
    turn = np.linalg.norm(camera.ray(chain.px + np.sqrt(0.5)) - ray, axis=1)
    across = np.eye(3) - ray[:, :, None] * ray[:, None, :]
    reach = np.full(len(since), float(np.linalg.norm(camera.position_m)))
    trust = np.ones(len(since))
    drag = np.full(m, drag_per_m(settings.drag_coefficient))
    position, velocity = np.zeros((m, 3)), np.zeros((m, 3))
    for round_ in range(_ROUNDS):
        bend = _Bend(position, velocity, drag, chain.spans_s, level=round_ == 0)
        rows = _Rows(m, lean)
        weight = trust / (chain.sd_px * turn * reach)
        rows.place(owner, since, across * weight[:, None, None],
                   camera.position_m - bend.place(owner, since))  # fmt: skip
        _tie(rows, chain, bend, settings)
        state = np.linalg.solve(rows.normal, rows.right).reshape(-1, 6)
        position, velocity = state[:, :3], state[:, 3:]
        path = position[owner] + since[:, None] * velocity[owner] + bend.place(owner, since)
        reach = np.clip(np.linalg.norm(path - camera.position_m, axis=1), 0.5, 60.0)
        off = np.einsum("nij,nj->ni", across, path - camera.position_m)
        off = np.linalg.norm(off, axis=1) / (chain.sd_px * turn * reach)
        trust = np.sqrt(np.minimum(1.0, _OUTLIER / np.maximum(off, 1e-9)))
        speed = np.linalg.norm(velocity, axis=1, keepdims=True)
        velocity = velocity * np.minimum(1, _FASTEST_MPS / np.maximum(speed, 1e-9))
    return Guess(position_m=position, velocity_mps=velocity, places_m=path, off=off)


class _Bend:
    """What gravity and drag add to a straight path, from the states of the round before."""

    def __init__(self, position, velocity, drag, span_s, *, level: bool) -> None:
        self.level = level
        self.velocity = velocity
        self.position = position
        self.paths = fly_many(
            position, velocity, drag=drag, rim=np.zeros((len(drag), 3)), span_s=span_s
        )

    def place(self, flight: np.ndarray, since: np.ndarray) -> np.ndarray:
        if self.level:
            return -0.5 * GRAVITY_MPS2 * since[:, None] ** 2 * np.array([0, 0, 1.0])
        place, _ = self.paths.at(flight, since)
        return place - self.position[flight] - since[:, None] * self.velocity[flight]

    def velocity_at(self, flight: np.ndarray, since: np.ndarray) -> np.ndarray:
        if self.level:
            return -GRAVITY_MPS2 * since[:, None] * np.array([0, 0, 1.0])
        return self.paths.at(flight, since)[1] - self.velocity[flight]


class _Rows:
    """Weighted linear rows about the states (m, 6), gathered as normal equations."""

    def __init__(self, flights: int, lean: float) -> None:
        n = 6 * flights
        self.normal, self.right = np.zeros((n, n)), np.zeros(n)
        weight = (lean / PLACE_SD_M) ** 2
        for f in range(flights):
            at = slice(6 * f, 6 * f + 3)
            self.normal[at, at] += np.diag(weight)
            self.right[at] += PLACE_MEAN_M * weight
            at = slice(6 * f + 3, 6 * f + 6)
            self.normal[at, at] += np.eye(3) * (lean / SPEED_SD_MPS) ** 2

    def add(self, design: np.ndarray, value: np.ndarray) -> None:
        self.normal += design.T @ design
        self.right += design.T @ value

    def place(self, flight, since, weights, wanted) -> None:
        """Weighted rows (n, k, 3) that want flights at places (n, 3)."""
        for f in np.unique(flight):
            of = flight == f
            w = weights[of]
            design = np.zeros((w.shape[0] * w.shape[1], len(self.right)))
            design[:, 6 * f : 6 * f + 3] = w.reshape(-1, 3)
            design[:, 6 * f + 3 : 6 * f + 6] = (w * since[of][:, None, None]).reshape(-1, 3)
            self.add(design, (w @ wanted[of][:, :, None]).ravel())


def _tie(rows: _Rows, chain: Chain, bend: _Bend, settings: BallTrackSettings) -> None:
    for k, kind in enumerate(chain.kinds):
        tau = chain.breaks_s[k] - chain.anchors_s[k : k + 2]
        flights = np.array([k, k + 1])
        known = np.hstack([bend.place(flights, tau), bend.velocity_at(flights, tau)])
        falling = bend.velocity[k] + known[0, 3:]
        tie = make_tie(
            kind, falling if np.any(bend.velocity) else _USUAL_MPS, settings, loose=_LOOSE
        )
        design = np.zeros((len(tie.target), len(rows.right)))
        for f, share, since in zip(flights, (tie.before, tie.after), tau, strict=True):
            design[:, 6 * f : 6 * f + 3] = share[:, :3]
            design[:, 6 * f + 3 : 6 * f + 6] = since * share[:, :3] + share[:, 3:]
        rows.add(design, -tie.residual(known[0], known[1]))
