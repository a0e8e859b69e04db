"""How well balls are seen and shots measured in rendered sessions with truth.

Run with ``python -m tests.benchmarks.ball_rendered SESSION… [--strokes N] [--keep DIR]``, each a
folder written by ``paddlebrief rehearse``. The ball network looks at the stretches around the
first N true strokes; tracks use the rendered camera, and where that shakes, its first picture
steadies the frames. Prints one block a session; balls that roll, are held, or that nobody can see
(`ball_sight`) count apart. Candidates and tracks count by what the network found in a frame;
"places" are those of the fitted flights in every frame from a track's start to its end, frames in
which the network found nothing among them.
"""

import argparse
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from paddlebrief.ball import BallTrack, BallTrackSettings, Candidates, track_balls
from paddlebrief.ball.files import read_candidates, write_candidates
from paddlebrief.ball.fit import Layout
from paddlebrief.ball.flight import drag_per_m, fly_many
from paddlebrief.ball.steady import Anchor
from paddlebrief.ball.watch import BallWatch, stretches_around
from paddlebrief.court.camera import PARAMETERS, SolvedCamera, View
from paddlebrief.eyes import BallNet, EyeSettings
from paddlebrief.footage import inspect, open_frames
from paddlebrief.mechanics.ball import BallView, ball_contact, ball_measures
from paddlebrief.records import FootageInfo
from tests.benchmarks.ball_sight import Sight, flying_balls

NEAR_PX = 5.0
SHAKES_PX = 0.5
CONTACT_SD_S = 0.010
SETTINGS = BallTrackSettings()
GRADED = ("ball_launch_speed_mps", "ball_mean_speed_mps", "landing_depth_m", "net_clearance_m")


def rendered_camera(truth: Path, info: FootageInfo) -> SolvedCamera:
    """The camera of the first frame, as a solved one without error but for its shake."""
    table = pq.read_table(truth / "frames.parquet")
    row = table.slice(0, 1).to_pylist()[0]
    matrix = np.array(row["matrix"]).reshape(3, 3)
    view = View(
        focal_px=float(matrix[0, 0]),
        centre_px=matrix[:2, 2],
        distortion=np.array(row["distortion"][:2]),
        rotation=np.array(row["rotation"]).reshape(3, 3),
        position_m=np.array(row["place_m"]),
        size_px=(info.width_px, info.height_px),
    )
    ahead = np.array(table["rotation"].to_pylist(), float).reshape(-1, 3, 3)[:, 2]
    shake_px = float(np.sqrt(np.sum(ahead.var(axis=0)) / 2) * view.focal_px)
    return SolvedCamera(view=view, covariance=np.zeros((len(PARAMETERS),) * 2), shake_px=shake_px)


def anchors(info: FootageInfo, camera: SolvedCamera) -> tuple[Anchor, ...]:
    """The first picture, of which the camera is known, where the camera shakes; else none."""
    if camera.shake_px <= SHAKES_PX:
        return ()
    with open_frames(info.path) as frames:
        first = next(iter(frames)).picture_bgr
    return (
        Anchor(
            start_s=info.start_s, end_s=info.end_s, picture_bgr=first, view=camera.view,
            turn_rad=np.zeros(3),
        ),
    )  # fmt: skip


def watched(
    info: FootageInfo, strokes: list[dict], *, camera: SolvedCamera, kept: Path | None
) -> Candidates:
    """Candidates around strokes, looked for anew or read from ``kept``."""
    if kept is not None and kept.is_file():
        return read_candidates(kept)
    known = anchors(info, camera)
    net = BallNet(EyeSettings(threads=1))
    watch = BallWatch(net, info, steady=bool(known), anchors=known)
    start, frames = time.process_time(), 0
    for from_s, to_s in stretches_around([s["contact_s"] for s in strokes], slow_factor=1.0):
        with open_frames(info.path, start_s=from_s, end_s=to_s) as reader:
            for frame in reader:
                watch.step(frame)
                frames += 1
    print(f"  {1e3 * (time.process_time() - start) / frames:.0f} ms a frame, {frames} frames")
    found = watch.candidates()
    if kept is not None:
        write_candidates(kept, found)
    return found


def grade_places(
    candidates: Candidates, rows: np.ndarray, balls: dict[int, np.ndarray], looked: dict[int, float]
) -> tuple[float, float, int]:
    """Share of these rows near a flying ball, share of flying balls with a row near, and how many
    balls there were in the frames looked at."""
    right = [
        _nearest(candidates.px[r], balls.get(int(candidates.frame[r]))) <= NEAR_PX for r in rows
    ]
    own = defaultdict(list)
    for r in rows:
        own[int(candidates.frame[r])].append(candidates.px[r])
    hit = [_nearest(p, own.get(f)) <= NEAR_PX for f in looked for p in balls.get(f, ())]
    return np.mean(right) if right else np.nan, np.mean(hit), len(hit)


def places_m(track: BallTrack, time_s: np.ndarray) -> np.ndarray:
    """(n, 3) places of a track's ball at (n,) times; NaN before its start and after its end."""
    out = np.full((len(time_s), 3), np.nan)
    expected = drag_per_m(SETTINGS.drag_coefficient)
    drag = expected * np.exp(track.parameters[Layout(len(track.flights)).drag])
    for flight in track.flights:
        inside = (time_s >= flight.start.time_s) & (time_s <= flight.end.time_s)
        since = time_s[inside] - flight.anchor_s
        for part in (since < 0, since >= 0):
            if not part.any():
                continue
            span = np.array([since[part][np.argmax(np.abs(since[part]))] or 1e-6])
            paths = fly_many(
                flight.position_m[None], flight.velocity_mps[None], drag=np.array([drag]),
                rim=flight.rim_mps[None], span_s=span, longest_step_s=0.02,
            )  # fmt: skip
            place, _ = paths.at(np.zeros(part.sum(), int), since[part])
            out[np.flatnonzero(inside)[part]] = place
    return out


def grade_flights(
    tracks: list[BallTrack],
    camera: SolvedCamera,
    frame_time_s: dict[int, float],
    flying: dict[int, np.ndarray],
    in_view: dict[int, np.ndarray],
) -> tuple[float, float, int]:
    """Share of the tracks' places that are near a flying ball, in all frames looked at; share of
    the balls in view with a place near, and how many balls there were."""
    frames, times = np.array(list(frame_time_s)), np.array(list(frame_time_s.values()))
    own, right = defaultdict(list), []
    for track in tracks:
        px = camera.project(places_m(track, times))
        for k in np.flatnonzero(np.isfinite(px).all(axis=1)):
            own[int(frames[k])].append(px[k])
            right.append(_nearest(px[k], flying.get(int(frames[k]))) <= NEAR_PX)
    hit = [_nearest(p, own.get(f)) <= NEAR_PX for f in frame_time_s for p in in_view.get(f, ())]
    return np.mean(right) if right else np.nan, np.mean(hit), len(hit)


def _nearest(px: np.ndarray, others: np.ndarray | None) -> float:
    if others is None or len(others) == 0:
        return np.inf
    return float(np.min(np.hypot(*(np.asarray(others) - px).T)))


def grade_shots(tracks: list[BallTrack], strokes: list[dict], rng) -> dict[str, list]:
    """Errors, errors over stated uncertainties, and reasons by measure."""
    out = defaultdict(list)
    for stroke in strokes:
        view = BallView(
            tracks=tracks,
            contact_s=stroke["contact_s"] + rng.normal(0, CONTACT_SD_S),
            contact_s_sd=CONTACT_SD_S,
            solved=True,
            settings=SETTINGS,
        )
        out["found"].append(view.shot is not None)
        contact = ball_contact(view)
        out["timed"].append(contact is not None)
        if contact is not None:
            off = contact.time_s - stroke["contact_s"]
            out["contact ms"].append(1e3 * off)
            out["contact z"].append(off / contact.time_s_sd)
        for measure in ball_measures(view):
            if measure.name not in GRADED:
                continue
            true = stroke[measure.name]
            if not measure.measured:
                out[f"{measure.name} reasons"].append(measure.reason)
            elif np.isfinite(true):
                out[measure.name].append(measure.value - true)
                out[f"{measure.name} z"].append((measure.value - true) / measure.sd)
            else:
                out[f"{measure.name} reasons"].append("measured, but not true")
    return out


def false_tracks(tracks: list[BallTrack], candidates: Candidates, balls) -> int:
    """Tracks of which most rows are near no flying ball."""
    wrong = 0
    for track in tracks:
        rows = np.concatenate([f.rows for f in track.flights])
        near = [
            _nearest(candidates.px[r], balls.get(int(candidates.frame[r]))) <= 2 * NEAR_PX
            for r in rows
        ]
        wrong += np.mean(near) < 0.5
    return wrong


def report(folder: Path, *, count: int, keep: Path | None) -> None:
    """Grade one session."""
    truth = folder / "truth"
    recording = next(p for p in (folder / "session").iterdir() if p.suffix == ".mp4")
    info = inspect(recording)
    strokes = pq.read_table(truth / "strokes.parquet").to_pylist()[:count]
    print(folder.name, flush=True)
    kept = None if keep is None else keep / f"{folder.name}.npz"
    camera = rendered_camera(truth, info)
    print(f"  the camera shakes by {camera.shake_px:.1f} px")
    candidates = watched(info, strokes, camera=camera, kept=kept)
    seen_by = camera if candidates.steadied else None
    balls, _ = flying_balls(truth, info, seen_by=seen_by)
    start = time.process_time()
    tracks = track_balls(candidates, camera=camera, width_px=info.width_px, settings=SETTINGS)
    seconds = time.process_time() - start
    minutes = len(candidates.frame_time_s) * info.frame_interval_s / 60
    rows = [f.rows for t in tracks for f in t.flights]
    tracked = np.concatenate([np.empty(0, int), *rows])
    looked = looked_at(truth, candidates.frame_time_s)
    in_view, left_out = flying_balls(truth, info, Sight(truth), seen_by=seen_by)
    apart = {reason: sum(f in looked for f in frames) for reason, frames in left_out.items()}
    print("  left out: " + ", ".join(f"{reason} {n}" for reason, n in sorted(apart.items())))
    for name, part in (("candidates", np.arange(len(candidates))), ("tracks", tracked)):
        precision, recall, n = grade_places(candidates, part, balls, looked)
        _, seen, m = grade_places(candidates, part, in_view, looked)
        print(f"  {name}: precision {precision:.3f}, recall {seen:.3f} of {m} balls in view, "
              f"{recall:.3f} of all {n}")  # fmt: skip
    precision, seen, m = grade_flights(tracks, camera, looked, balls, in_view)
    print(f"  places: precision {precision:.3f}, recall {seen:.3f} of {m} balls in view")
    wrong = false_tracks(tracks, candidates, balls)
    print(f"  {len(tracks)} tracks, {wrong / minutes:.1f} false a minute looked at; "
          f"{seconds / minutes:.0f} s a minute")  # fmt: skip
    out = grade_shots(tracks, strokes, np.random.default_rng(0))
    print(f"  shots found {np.mean(out['found']):.2f} of {len(strokes)}, "
          f"contact timed {np.mean(out['timed']):.2f}", end="")  # fmt: skip
    print(f": median {np.median(np.abs(out['contact ms'])):.1f} ms, in {_inside(out['contact z'])}")
    for name in GRADED:
        error = np.abs(out[name])
        if len(error):
            middle, high = np.median(error), np.percentile(error, 90)
            print(f"  {name}: n {len(error)}, median {middle:.3f}, 90 % {high:.3f}", end="")
            print(f", in {_inside(out[name + ' z'])}", end="")
        else:
            print(f"  {name}: none", end="")
        print("; ", "; ".join(sorted(set(out[f"{name} reasons"]))))


def looked_at(truth: Path, times_s: np.ndarray) -> dict[int, float]:
    """Numbers of the frames that were looked at, and their times."""
    table = pq.read_table(truth / "frames.parquet")
    all_s, number = table["time_s"].to_numpy(), table["frame"].to_numpy()
    return {int(number[np.argmin(np.abs(all_s - t))]): float(t) for t in times_s}


def _inside(z: list[float]) -> str:
    return f"{np.mean(np.abs(z) < 1.96):.2f}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sessions", nargs="+", type=Path)
    parser.add_argument("--strokes", type=int, default=6, help="strokes looked at in each")
    parser.add_argument("--keep", type=Path, help="folder to keep candidates in between runs")
    given = parser.parse_args()
    for folder in given.sessions:
        report(folder, count=given.strokes, keep=given.keep)


if __name__ == "__main__":
    main()
