"""What a recording allows to be measured, before a night is spent on it."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path

import cv2
import numpy as np

from paddlebrief import model_store
from paddlebrief.brief.figures import write_picture
from paddlebrief.brief.template import load_templates
from paddlebrief.court import Court, draw_court, solve_court
from paddlebrief.errors import PaddlebriefError
from paddlebrief.footage import inspect, open_frames
from paddlebrief.pose_net import PoseNet
from paddlebrief.progress import reporter
from paddlebrief.records import FootageInfo
from paddlebrief.session import RecordingSource
from paddlebrief.settings import Settings
from paddlebrief.sight.tracker import Tracker
from paddlebrief.timing import frame_instant_sd_s

__all__ = ["Finding", "FootageReport", "Verdict", "check_recordings", "judge"]

LOOKS = 12  # moments looked at, spread over the recording
LOOK_S = 0.15  # seconds of playback at each
HIP_WIDTH_SHARE = 0.118  # hip joints' distance in body heights: FACTS of 200 mm at 1.70 m
LEAST_TURN_PX, GOOD_TURN_PX = 150, 300  # player heights between which turns get worse


class Verdict(StrEnum):
    GOOD = "good"
    LIMITED = "limited"
    MISSING = "missing"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing that is or is not possible, and why."""

    what: str
    verdict: Verdict
    why: str


@dataclass(frozen=True, kw_only=True)
class FootageReport:
    """What is known of one recording; ``error`` says why there is nothing more.

    ``pictures`` are files that show the solved court on the footage, or why it is not solved.
    """

    path: Path
    facts: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    pictures: tuple[Path, ...] = ()
    error: str | None = None

    def plain(self) -> dict:
        """As JSON-ready values."""
        pictures = [str(picture) for picture in self.pictures]
        return {**asdict(self), "path": str(self.path), "pictures": pictures}


@dataclass(frozen=True, kw_only=True)
class Looks:
    """What samples of the pictures showed: player heights in pixels, brightness, sharpness.

    ``heights_px`` is (k,), one entry a person and moment; ``brightness`` the median grey level
    0 to 255; ``sharpness`` the variance of the Laplacian on the players, NaN without players.
    """

    heights_px: np.ndarray
    brightness: float
    moments: int
    moments_with_people: int


def check_recordings(
    sources: Sequence[RecordingSource], settings: Settings, *, out: Path
) -> list[FootageReport]:
    """A report for each recording; one that cannot be read has an error instead.

    A picture of the court as it was solved is written under ``out`` for every place in which the
    camera stood.
    """
    reports = []
    taken: set[Path] = set()
    net: PoseNet | None = None
    for source in sources:
        reporter().begin(f"{source.path.name}: looking at samples")
        try:
            if source.error is not None:
                raise source.error
            info = inspect(source.path, session=source.session)
            if net is None:
                files = model_store.ensure_models(settings.models.folder)
                net = PoseNet(
                    detector=files["pose_detection.tflite"],
                    landmarker=files["pose_landmark_full.tflite"],
                )
            looks = _look(info, net, settings)
            court = solve_court(info, session=source.session, settings=settings.court)
            reports.append(
                FootageReport(
                    path=source.path,
                    facts=_facts(info),
                    findings=tuple(judge(info, looks, court)),
                    pictures=_court_pictures(info, court, settings, out, taken),
                )
            )
        except PaddlebriefError as error:
            reports.append(FootageReport(path=source.path, error=str(error)))
    return reports


def _facts(info: FootageInfo) -> tuple[str, ...]:
    rate = f"{float(info.frame_rate):.4g} frames a second"
    if info.capture_rate != info.frame_rate:
        rate = f"filmed at {float(info.capture_rate):.4g}, played at {rate}"
    varying = ", uneven" if info.variable_rate else ""
    sound = "no sound" if info.sound_rate_hz is None else f"sound at {info.sound_rate_hz} Hz"
    size = f"{info.width_px} × {info.height_px} pixels"
    length = f"{info.end_s - info.start_s:.1f} s, {info.frames} frames"
    return (f"{size}, {rate}{varying}, {length}, {sound}", *info.faults)


def _look(info: FootageInfo, net: PoseNet, settings: Settings) -> Looks:
    heights: list[float] = []
    greys: list[float] = []
    moments = with_people = 0
    for number, start_s in enumerate(
        np.linspace(info.start_s, max(info.end_s - LOOK_S, info.start_s), LOOKS)
    ):
        tracker = Tracker(net, settings.sight)
        people = []
        with open_frames(info.path, start_s=float(start_s)) as frames:
            frame = next(iter(frames), None)
        if frame is None:
            continue
        moments += 1
        greys.append(float(np.median(cv2.cvtColor(frame.picture_bgr, cv2.COLOR_BGR2GRAY))))
        people = tracker.step(frame.picture_bgr, frame.time_s)
        with_people += bool(people)
        heights += [float(np.ptp(p.landmarks_px[:, 1])) / 0.9 for p in people]
        reporter().share((number + 1) / LOOKS)
    return Looks(
        heights_px=np.array(heights),
        brightness=float(np.median(greys)) if greys else np.nan,
        moments=moments,
        moments_with_people=with_people,
    )


def _court_pictures(
    info: FootageInfo, court: Court, settings: Settings, out: Path, taken: set[Path]
) -> tuple[Path, ...]:
    """Written pictures; a name that another recording of the same call has gets a hash behind."""
    colours = load_templates(settings.brief.templates).colours
    paths = []
    for number, span in enumerate(court.spans):
        with open_frames(info.path, start_s=(span.start_s + span.end_s) / 2) as frames:
            frame = next(iter(frames), None)
        if frame is None:
            continue
        ending = f"-{number + 1}" if len(court.spans) > 1 else ""
        path = out / f"{info.path.stem}-court{ending}.jpg"
        if path in taken:
            path = path.with_stem(f"{path.stem}-{info.content_hash[:6]}")
        taken.add(path)
        paths.append(write_picture(draw_court(frame.picture_bgr, span, colours=colours), path))
    return tuple(paths)


def judge(info: FootageInfo, looks: Looks, court: Court) -> list[Finding]:
    """Findings on the court, timing, bodies, ball, sound and light, most useful first."""
    return [
        _strokes(info, looks),
        _court(court),
        _turns(looks, court),
        _lines(looks),
        _contact_time(info),
        _order_of_turns(info),
        _ball(info, court),
        _light(looks),
    ]


def _court(court: Court) -> Finding:
    what = "court"
    solved = [span for span in court.spans if span.camera is not None]
    if not solved:
        points = ", ".join(court.points_to_give)
        why = (
            f"not solved: {court.reason}. To help, mark at least four of these points under "
            f"court: in session.yaml: {points}"
        )
        return Finding(what=what, verdict=Verdict.MISSING, why=why)
    worst = max(span.worst_sd_m for span in solved)
    why = f"solved; the worst place on it is known to ± {1.96 * 100 * worst:.0f} cm"
    notes = "".join(f"; {note}" for note in court.notes)
    whole = len(solved) == len(court.spans)
    if not whole:
        why += f"; {len(court.spans) - len(solved)} of {len(court.spans)} camera places unsolved"
    return Finding(what=what, verdict=Verdict.GOOD if whole else Verdict.LIMITED, why=why + notes)


def _turns(looks: Looks, court: Court) -> Finding:
    what = "turn of hips and shoulders"
    if not len(looks.heights_px):
        return Finding(what=what, verdict=Verdict.MISSING, why="nobody was seen in the samples")
    tall = float(np.percentile(looks.heights_px, 75))
    why = f"players stand {tall:.0f} pixels tall"
    if tall < LEAST_TURN_PX:
        why += f": under {LEAST_TURN_PX} the intervals become too wide to say much"
        return Finding(what=what, verdict=Verdict.LIMITED, why=why)
    if not court.solved:
        why += "; without the court only the separation between both can be told"
        return Finding(what=what, verdict=Verdict.LIMITED, why=why)
    good = tall >= GOOD_TURN_PX
    return Finding(
        what=what,
        verdict=Verdict.GOOD if good else Verdict.LIMITED,
        why=why if good else f"{why}; {GOOD_TURN_PX} or more are better",
    )


def _strokes(info: FootageInfo, looks: Looks) -> Finding:
    what = "strokes"
    if not looks.moments_with_people:
        return Finding(what=what, verdict=Verdict.MISSING, why="nobody was seen in the samples")
    seen = f"players seen at {looks.moments_with_people} of {looks.moments} moments"
    rate = float(info.capture_rate)
    if rate < 24:
        why = (
            f"{seen}; {rate:.3g} frames a second are too few to follow a swing, film at 60 or more"
        )
        return Finding(what=what, verdict=Verdict.LIMITED, why=why)
    return Finding(what=what, verdict=Verdict.GOOD, why=seen)


def _lines(looks: Looks) -> Finding:
    what = "hip and shoulder lines in the picture"
    if not len(looks.heights_px):
        return Finding(what=what, verdict=Verdict.MISSING, why="nobody was seen in the samples")
    tall = float(np.percentile(looks.heights_px, 75))
    # √2·s/w with s = 1.5 px of scatter and 0.012 body heights of placing
    error = np.degrees(np.sqrt(2) * np.hypot(1.5, 0.012 * tall) / (HIP_WIDTH_SHARE * tall))
    why = (
        f"players stand {tall:.0f} pixels tall, so a hip line seen square on is good to "
        f"± {1.96 * error:.0f}°"
    )
    good = tall >= 300
    return Finding(
        what=what,
        verdict=Verdict.GOOD if good else Verdict.LIMITED,
        why=why if good else f"{why}; 300 pixels are better: film closer or in higher resolution",
    )


def _contact_time(info: FootageInfo) -> Finding:
    what = "contact time"
    frame_ms = 1000 * frame_instant_sd_s(info.frame_interval_s)
    if info.sound_rate_hz is None:
        why = (
            "no sound: timed by the hand, to about ± 80 ms "
            f"(the frames alone allow ± {1.96 * frame_ms:.0f} ms)"
        )
        return Finding(what=what, verdict=Verdict.LIMITED, why=why)
    return Finding(
        what=what,
        verdict=Verdict.GOOD,
        why="sound: timed by the impact, to about ± 30 ms while the distance is unknown",
    )


def _order_of_turns(info: FootageInfo) -> Finding:
    # pelvis and trunk peak 18 ms apart in elite forehands (Landlinger et al. 2010, JSSM 9:643)
    step_ms = 1000 * info.frame_interval_s
    resolved = step_ms <= 18 / 2
    return Finding(
        what="order of hip and shoulder turn",
        verdict=Verdict.GOOD if resolved else Verdict.MISSING,
        why=f"a frame lasts {step_ms:.1f} ms and the peaks lie about 18 ms apart"
        + ("" if resolved else ": film at 120 frames a second or more"),
    )


def _ball(info: FootageInfo, court: Court) -> Finding:
    what = "ball speed and landing"
    if not court.solved:
        why = "they need the court in metres"
        return Finding(what=what, verdict=Verdict.MISSING, why=why)
    rate = float(info.capture_rate)
    good = rate >= 50
    return Finding(
        what=what,
        verdict=Verdict.GOOD if good else Verdict.LIMITED,
        why=f"{rate:.3g} frames a second"
        + ("" if good else ": 60 or more show the ball often enough before it lands"),
    )


def _light(looks: Looks) -> Finding:
    good = 40 <= looks.brightness <= 215
    return Finding(
        what="light",
        verdict=Verdict.GOOD if good else Verdict.LIMITED,
        why=f"middle grey level {looks.brightness:.0f} of 255"
        + ("" if good else ": expose so that players are neither black nor white"),
    )
