"""How well the court is solved: drawn courts from three places, other courts, empty floors.

Run with ``python -m tests.benchmarks.court [--seeds N]``; prints a table.
"""

import argparse
import time
from dataclasses import dataclass, field, replace

import numpy as np

from paddlebrief.court.camera import SolvedCamera
from paddlebrief.court.still import Expectations, solve_still
from tests.court_scenes import PLACES, CourtError, court_error, make_eye, make_scene
from tests.courts import Floor, badminton_lines, draw_floor, tennis_lines


@dataclass
class Tally:
    """Results of one kind of scene."""

    errors: list[CourtError] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    seconds: list[float] = field(default_factory=list)

    def row(self, name: str) -> str:
        """One line of the table."""
        n = len(self.errors) + len(self.refused)
        text = f"{name:22} {len(self.errors):3}/{n:<3}"
        if self.errors:
            near, far, worst, view, net = (
                np.array([getattr(e, k) for e in self.errors])
                for k in ("near_m", "far_m", "worst_m", "in_view_m", "net_px")
            )
            inside = np.concatenate([e.inside for e in self.errors])
            text += (
                f" near {100 * np.nanmedian(near):5.1f} cm, far {100 * np.nanmedian(far):5.1f} cm,"
                f" worst {100 * worst.max():6.1f} cm (in view {100 * view.max():5.1f}),"
                f" net {np.nanmedian(net):4.2f} px"
                f" (90 %: {np.nanpercentile(net, 90):4.2f}), inside 95 %: {inside.mean():.3f}"
            )
        return f"{text}, {np.median(self.seconds):.1f} s"


def solve_scene(tally: Tally, picture, eye, name: str) -> None:
    """Solve one picture and add what came out."""
    start = time.perf_counter()
    still = solve_still(picture, expect=Expectations())
    tally.seconds.append(time.perf_counter() - start)
    if still.fit is None:
        tally.refused.append(f"{name}: {still.reason}")
        return
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    error = court_error(camera, eye)
    tally.errors.append(error)
    if error.worst_m > 0.3:
        print(f"  {name}: off by {error.worst_m:.2f} m, stated {still.quality.worst_sd_m:.2f} m")


def other_courts(seed: int, *, rays: int, only: str | None = None):
    """(name, eye, picture) of floors that hold no court of this game; of one kind if asked."""
    rng = np.random.default_rng([seed, 77])
    floors = {
        "tennis court": Floor(lines=tennis_lines(), half_width_m=5.485, half_length_m=11.885,
                              net_m=(1.07, 0.914)),
        "badminton court": Floor(lines=badminton_lines(), net_m=(1.55, 1.524)),
        "no lines": Floor(lines=(), half_width_m=3.6, half_length_m=7.4),
    }  # fmt: skip
    for name, floor in floors.items():
        eye = make_eye(PLACES[seed % 3], rng)
        if name == "tennis court":
            factor = rng.uniform(1.2, 1.8)
            x, y, z = eye.position_m
            eye = replace(eye, position_m=(x * factor, y * factor, z * 1.2))
        if only in (None, name):
            yield name, eye, draw_floor(eye, floor, seed=seed, rays=rays)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=10, help="scenes of each kind")
    parser.add_argument("--rays", type=int, default=8, help="rays a pixel")
    options = parser.parse_args()
    rows: dict[str, Tally] = {}
    for place in PLACES:
        for seed in range(options.seeds):
            scene = make_scene(place, seed, rays=options.rays)
            solve_scene(rows.setdefault(place, Tally()), scene.picture_bgr, scene.eye, scene.name)
    for seed in range(options.seeds):
        for name, eye, picture in other_courts(seed, rays=options.rays):
            solve_scene(rows.setdefault(name, Tally()), picture, eye, f"{name} {seed}")
    print("scene                  solved")
    for name, tally in rows.items():
        print(tally.row(name))
        for reason in tally.refused:
            print("    ", reason)


if __name__ == "__main__":
    main()
