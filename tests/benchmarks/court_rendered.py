"""How well the court is solved in rendered recordings from many camera places.

Run with ``python -m tests.benchmarks.court_rendered [--first N] [--seeds N] [--other-lines]
[--shake DEG]``: short films by the rehearsals' renderer, indoors and outdoors by turns, with
figures standing on the court, solved as recordings are; prints a table.

A shaken film has its 24 frames spread over 12 s. Its solved camera is held against the true one in
the middle of the turns that the solver states for the pictures it looked at, and a second table
row against the true one of each single picture.
"""

import argparse
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from paddlebrief.court import CourtSettings, CourtSpan, solve_court
from paddlebrief.footage import inspect
from paddlebrief.rehearsal.camera import CameraSettings, Shake, place_camera
from paddlebrief.rehearsal.film import film_frames
from paddlebrief.rehearsal.scene import Moments
from paddlebrief.rehearsal.venue import VenueSettings
from paddlebrief.session import default_session
from tests.benchmarks.court import Tally
from tests.clips import write_clip
from tests.court_scenes import PLACES, CourtError, court_error
from tests.courts import Eye, stand_people

FRAMES = 24
RATE = 30
SHAKEN_S = 12.0


def camera_of(place: str, rng: np.random.Generator) -> CameraSettings:
    """A camera as a club would put it."""
    along = {"behind": (-1.5, 1.5), "side": (-5.2, -2.5)}.get(place)
    big = rng.uniform() < 0.3
    return CameraSettings(
        place=place,
        distance_m=float(rng.uniform(3.5, 7)),
        height_m=float(rng.uniform(1.7, 4.2)),
        along_m=None if along is None else float(rng.uniform(*along)),
        left_side=bool(rng.uniform() < 0.5),
        tilt_deg=float(rng.normal(0, 1.5)),
        view_deg=float(rng.uniform(60, 85)),
        distortion=(float(rng.uniform(-0.12, 0.01)), float(rng.uniform(0, 0.03)), 0, 0, 0),
        width_px=1920 if big else 1280,
        height_px=1080 if big else 720,
        frame_rate=RATE,
        noise=float(rng.uniform(1, 5)),
    )


def eye_of(settings: CameraSettings) -> Eye:
    """The same camera in the tests' own terms."""
    camera = place_camera(settings)
    return Eye(
        position_m=tuple(camera.position_m.tolist()),
        aim_m=tuple((camera.position_m + 10 * camera.rotation[2]).tolist()),
        view_deg=settings.view_deg,
        size_px=camera.size_px,
        distortion=settings.distortion[:4],
        roll_deg=settings.tilt_deg,
    )


def film(
    path: Path, place: str, seed: int, *, other_lines: bool | None = None, shake_deg: float = 0.0
) -> tuple[Eye, Shake]:
    """Write a short recording; gives the camera that took it, and how that shook."""
    rng = np.random.default_rng([seed, PLACES.index(place), 5])
    settings = camera_of(place, rng).model_copy(update={"shake_deg": shake_deg})
    eye, shake = eye_of(settings), Shake(settings, seed)
    people = [(rng.uniform(-3.2, 3.2), rng.uniform(-7.2, 0)) for _ in range(rng.integers(1, 4))]
    times = (np.arange(FRAMES) + 0.5) * SHAKEN_S / FRAMES if shake_deg else np.arange(FRAMES) / RATE
    pictures: list[np.ndarray] = []

    def show(number: int, picture: np.ndarray) -> None:
        # Every other figure stands on one spot throughout and hides what is behind it.
        at = [np.add(p, rng.normal(0, 0.25 if k % 2 else 0.01, 2)) for k, p in enumerate(people)]
        now = replace(eye, turn_rad=tuple(shake.at(times[number])))
        pictures.append(stand_people(picture, now, at, seed=seed))

    film_frames(
        settings=settings,
        venue=VenueSettings(indoor=bool(seed % 2), other_lines=other_lines),
        cast=[],
        paddles=[],
        world=lambda t: Moments(joints=(), balls_m=np.zeros((len(t), 0, 3))),
        times_s=times,
        seed=seed,
        show=show,
    )
    write_clip(path, times_s=times, size_px=eye.size_px, draw=lambda k, _: pictures[k])
    return eye, shake


def true_middle(eye: Eye, shake: Shake, span: CourtSpan) -> Eye:
    """The true camera in the middle of the turns that were found."""
    if span.sway is None:
        return eye
    true = Rotation.from_rotvec(shake.at(span.sway.time_s))
    middle = (Rotation.from_rotvec(span.sway.turn_rad).inv() * true).mean()
    return replace(eye, turn_rad=tuple(middle.as_rotvec()))


def single_pictures(eye: Eye, shake: Shake, span: CourtSpan) -> list[CourtError]:
    """Errors in each picture that the solver states a turn for."""
    if span.sway is None:
        return []
    pairs = zip(span.sway.turn_rad, shake.at(span.sway.time_s), strict=True)
    return [
        court_error(
            span.camera.turned(found, left_px=span.sway.left_px), replace(eye, turn_rad=tuple(true))
        )
        for found, true in pairs
    ]


def solve_film(
    tally: Tally, path: Path, eye: Eye, name: str, *, shake: Shake, single: Tally
) -> None:
    """Solve one recording and add what came out, for the whole and for single pictures."""
    start = time.perf_counter()
    court = solve_court(inspect(path, session=default_session()), settings=CourtSettings())
    tally.seconds.append(time.perf_counter() - start)
    spans = [span for span in court.spans if span.camera is not None]
    if not spans:
        tally.refused.append(f"{name}: {court.reason}")
        return
    # The region of the middle place itself, without what a single picture's shake adds.
    still = replace(spans[0].camera, shake_px=0.0) if spans[0].sway else spans[0].camera
    error = court_error(still, true_middle(eye, shake, spans[0]))
    tally.errors.append(error)
    if error.worst_m > 0.3:
        print(f"  {name}: off by {error.worst_m:.2f} m, stated {spans[0].worst_sd_m:.2f} m")
    single.errors += single_pictures(eye, shake, spans[0])
    single.seconds.append(tally.seconds[-1])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=500, help="first seed")
    parser.add_argument("--seeds", type=int, default=10, help="recordings from each place")
    parser.add_argument("--other-lines", action="store_true", help="other games on every floor")
    parser.add_argument("--shake", type=float, default=0.0, help="shake of the camera, degrees")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        for place in PLACES:
            tally, single = Tally(), Tally()
            for seed in range(options.first, options.first + options.seeds):
                path = Path(folder) / f"{place}-{seed}.mp4"
                eye, shake = film(
                    path, place, seed, other_lines=options.other_lines or None,
                    shake_deg=options.shake,
                )  # fmt: skip
                solve_film(tally, path, eye, f"{place} {seed}", shake=shake, single=single)
                path.unlink()
            print(tally.row(place))
            if single.errors:
                print(single.row("  single pictures"))
            for reason in tally.refused:
                print("    ", reason)


if __name__ == "__main__":
    main()
