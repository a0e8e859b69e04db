"""The public verb of the court stage, and its result."""

import json
import logging
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.court.adjust import Priors
from paddlebrief.court.background import Still, steadied, stills
from paddlebrief.court.camera import SolvedCamera, View
from paddlebrief.court.guess import CameraLimits
from paddlebrief.court.samples import Boxes, people_boxes, read_samples
from paddlebrief.court.still import Expectations, StillCourt, solve_still
from paddlebrief.court.sway import Sway
from paddlebrief.court.verify import CourtLimits
from paddlebrief.progress import reporter
from paddlebrief.records import FootageInfo
from paddlebrief.session import Session
from paddlebrief.sight import TrackParts
from paddlebrief.store.files import written_whole

__all__ = ["Court", "CourtSettings", "CourtSpan", "read_court", "solve_court", "write_court"]

logger = logging.getLogger(__name__)

POINTS_TO_GIVE = (
    "near_left_corner",
    "near_right_corner",
    "near_left_non_volley",
    "near_right_non_volley",
    "net_top_left",
    "net_top_right",
)
"""Points that fix a camera behind or beside the near half; any others known are as good."""


MOST_FAILURES = 2
"""Stretches tried in vain before the rest is given up: each costs seconds."""


class CourtSettings(BaseModel):
    """What a solved court must satisfy."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    samples: int = Field(
        40, ge=5, le=200, description="most pictures of a recording that are looked at"
    )
    found_share: float = Field(
        0.6,
        gt=0,
        le=1,
        description="least share of the predicted line length that must be found, 0 to 1",
    )
    residual_px: float = Field(
        1.6, gt=0, description="largest root mean square distance of lines from the court, pixels"
    )
    worst_sd_m: float = Field(
        0.2,
        gt=0,
        description="largest standard uncertainty of a place on the court in view, metres",
    )
    paint_sd_m: float = Field(
        0.003, gt=0, description="standard deviation of a painted line from its place, metres"
    )
    net_sd_m: float = Field(
        0.012, gt=0, description="standard deviation of the net's height, metres"
    )
    mark_sd_px: float = Field(
        3.0, gt=0, description="how exactly a person marks a court point, pixels (SD)"
    )

    def expectations(self) -> Expectations:
        """The same as limits and priors."""
        return Expectations(
            camera=CameraLimits(),
            court=CourtLimits(
                found_share=self.found_share,
                residual_px=self.residual_px,
                worst_sd_m=self.worst_sd_m,
            ),
            priors=Priors(paint_m=self.paint_sd_m, net_m=self.net_sd_m),
            mark_sd_px=self.mark_sd_px,
        )


@dataclass(frozen=True, kw_only=True)
class CourtSpan:
    """A stretch with the camera in one place.

    Attributes
    ----------
    start_s, end_s
        Presentation times, ends included.
    camera
        Of a shaken camera its middle place; None when it was not solved.
    found_share, residual_px, worst_sd_m
        Share of the visible line length found, root mean square distance of lines from the fitted
        court, and largest standard uncertainty on the court in view; NaN when not solved.
    drift_px
        How far the picture moved over the stretch.
    sway
        How a shaken camera stood in single pictures; None where it hardly moves, where its turns
        are not known and when it was not solved.
    reason
        Why it was not solved; None when it was.
    """

    start_s: float
    end_s: float
    camera: SolvedCamera | None = None
    found_share: float = np.nan
    residual_px: float = np.nan
    worst_sd_m: float = np.nan
    drift_px: float = 0.0
    sway: Sway | None = None
    reason: str | None = None

    def plain(self) -> dict:
        """As JSON-ready values; NaN becomes None."""
        figures = ("start_s", "end_s", "found_share", "residual_px", "worst_sd_m", "drift_px")
        out: dict = {n: None if np.isnan(getattr(self, n)) else getattr(self, n) for n in figures}
        return out | {
            "camera": None if self.camera is None else self.camera.plain(),
            "sway": None if self.sway is None else self.sway.plain(),
            "reason": self.reason,
        }

    @classmethod
    def from_plain(cls, plain: dict) -> "CourtSpan":
        """Read what `plain` wrote."""
        values = {name: np.nan if value is None else value for name, value in plain.items()}
        camera, sway, reason = plain["camera"], plain["sway"], plain["reason"]
        values["camera"] = None if camera is None else SolvedCamera.from_plain(camera)
        values["sway"] = None if sway is None else Sway.from_plain(sway)
        return cls(**values | {"reason": reason})


@dataclass(frozen=True, kw_only=True)
class Court:
    """The solved cameras of a recording, or why there are none.

    Attributes
    ----------
    spans
        Stretches in order of time; moments between them, while the camera moves, have no camera.
    reason
        Why no stretch was solved; None when at least one was.
    points_to_give
        Court points to mark under ``court:`` in session.yaml when something was not solved.
    notes
        Plain sentences for the brief: moved camera, shake, marks that were not used.
    """

    spans: tuple[CourtSpan, ...] = ()
    reason: str | None = None
    points_to_give: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())

    @property
    def solved(self) -> bool:
        """Whether any stretch has a camera."""
        return any(span.camera is not None for span in self.spans)

    def at(self, time_s: float) -> SolvedCamera | None:
        """The camera at a presentation time; None while moving or where not solved."""
        for span in self.spans:
            if span.start_s <= time_s <= span.end_s:
                return span.camera
        return None

    def plain(self) -> dict:
        """As JSON-ready values."""
        return {
            "spans": [span.plain() for span in self.spans],
            "reason": self.reason,
            "points_to_give": list(self.points_to_give),
            "notes": list(self.notes),
        }

    @classmethod
    def from_plain(cls, plain: dict) -> "Court":
        """Read what `plain` wrote."""
        return cls(
            spans=tuple(CourtSpan.from_plain(span) for span in plain["spans"]),
            reason=plain["reason"],
            points_to_give=tuple(plain["points_to_give"]),
            notes=tuple(plain["notes"]),
        )


def write_court(path: Path, court: Court) -> None:
    """Write a court as JSON, beside first, then renamed."""
    with written_whole(path) as beside:
        Path(beside).write_text(json.dumps(court.plain(), indent=1), encoding="utf-8")


def read_court(path: Path) -> Court:
    """Read what `write_court` wrote."""
    return Court.from_plain(json.loads(Path(path).read_text(encoding="utf-8")))


def solve_court(
    info: FootageInfo,
    *,
    parts: TrackParts | None = None,
    session: Session | None = None,
    settings: CourtSettings,
) -> Court:
    """Find the court in a recording and solve the camera in metres.

    Parameters
    ----------
    info
        The recording.
    parts
        Tracks of its people, so that they can be left out of the picture; None when there are
        none yet: what moves is left out all the same.
    session
        Its ``court`` marks decide which lines are the court's.
    settings
        What is demanded.

    Returns
    -------
    Court
        Without a camera, and with the reason, when no court can be believed.

    Raises
    ------
    FootageError
        When the recording cannot be read.
    """
    reporter().begin(f"{info.path.name}: looking for the court")
    samples = read_samples(info, settings.samples)
    reporter().share(0.4)
    boxes = None
    if parts is not None:
        boxes = people_boxes([t for _, _, tracks in parts.overlapping() for t in tracks])
    parts_still = stills(info, samples, boxes)
    reporter().share(0.6)
    if not any(still.picture_bgr is not None for still in parts_still):
        return _unsolved(_why_no_still(samples))
    marks = dict(session.court) if session is not None else {}
    spans, notes = _spans(parts_still, boxes, marks, settings)
    reporter().share(1.0)
    return _court(spans, notes)


def _why_no_still(samples) -> str:
    if len(samples) < 3:
        return "the recording is too short to tell its court from its people"
    return "the camera keeps moving: put it on a stand or a fence"


def _unsolved(reason: str, spans: tuple[CourtSpan, ...] = (), notes=()) -> Court:
    return Court(spans=spans, reason=reason, points_to_give=POINTS_TO_GIVE, notes=tuple(notes))


def _spans(parts, boxes, marks, settings: CourtSettings) -> tuple[list[CourtSpan], list[str]]:
    """Every stretch, solved or not; the longest ones are tried first and start the others."""
    spans: dict[int, CourtSpan] = {}
    notes: list[str] = []
    tried: dict[int, tuple[Still, StillCourt]] = {}
    last: View | None = None
    failures = 0
    for number in sorted(range(len(parts)), key=lambda n: parts[n].start_s - parts[n].end_s):
        still = parts[number]
        known = tried.get(id(still.picture_bgr))
        ends = {"start_s": still.start_s, "end_s": still.end_s}
        if known is not None:
            spans[number] = _span(replace(known[0], **ends), known[1])
        elif still.picture_bgr is None:
            spans[number] = CourtSpan(**ends, reason="the camera was there too briefly")
        elif last is None and failures >= MOST_FAILURES:
            spans[number] = CourtSpan(**ends, reason="not tried: longer stretches were not solved")
        else:
            settled, solved = _solve_steadied(still, boxes, marks, last, settings, notes)
            tried[id(still.picture_bgr)] = settled, solved
            spans[number] = _span(settled, solved)
            failures += solved.fit is None
            last = last if solved.fit is None else solved.fit.view
    return [spans[number] for number in sorted(spans)], notes


def _solve_steadied(
    still: Still, boxes: Boxes | None, marks, last: View | None, settings, notes: list[str]
) -> tuple[Still, StillCourt]:
    """The court of one stretch; a shaken one's is solved again, steadied through the lens found."""
    solved = _solve_one(still, marks, last, settings, notes)
    if solved.fit is None or still.sway is None:
        return still, solved
    finer = steadied(still, solved.fit.view, boxes)
    if finer is None:
        return still, solved
    again = _solve_one(finer, marks, solved.fit.view, settings, notes)
    return (still, solved) if again.fit is None else (finer, again)


def _solve_one(still: Still, marks, last: View | None, settings: CourtSettings, notes: list[str]):
    """The court of one stretch: by marks while they fit, else by its lines."""
    expect = settings.expectations()
    picture = still.picture_bgr
    if marks:
        scaled = {n: tuple((np.array(p) + 0.5) * still.scale - 0.5) for n, p in marks.items()}
        solved = solve_still(picture, expect=expect, marks=scaled, covered=still.covered)
        if solved.fit is not None:
            return solved
        by_lines = solve_still(picture, expect=expect, start=last, covered=still.covered)
        if by_lines.fit is None:
            return solved
        note = f"{solved.reason}; solved from the lines alone"
        if note not in notes:
            notes.append(note)
        return by_lines
    return solve_still(picture, expect=expect, start=last, covered=still.covered)


def _span(still: Still, solved: StillCourt) -> CourtSpan:
    if solved.fit is None:
        return CourtSpan(
            start_s=still.start_s, end_s=still.end_s, drift_px=still.drift_px, reason=solved.reason
        )
    view, covariance = _full_size(solved.fit.view, solved.fit.covariance, still.scale)
    # The middle of a shaken picture's places is known only so well.
    unsure_px = still.shake_px if still.sway is None else still.sway.left_px
    middle = np.diag([0.0] * 5 + [1, 1] + [0] * 4) / len(still.seen)
    covariance = covariance + middle * (unsure_px / view.focal_px) ** 2
    return CourtSpan(
        start_s=still.start_s,
        end_s=still.end_s,
        camera=SolvedCamera(view=view, covariance=covariance, shake_px=still.shake_px),
        found_share=solved.quality.found_share,
        residual_px=solved.quality.residual_px / still.scale,
        worst_sd_m=solved.quality.worst_sd_m,
        drift_px=still.drift_px,
        sway=still.sway,
    )


def _full_size(view: View, covariance: np.ndarray, scale: float) -> tuple[View, np.ndarray]:
    """A view of a reduced picture as one of the recording's own."""
    if scale == 1:
        return view, covariance
    factor = np.ones(len(covariance))
    factor[1:3] = 1 / scale
    full = view.scaled(1 / scale)
    return full, covariance * np.outer(factor, factor)


def _court(spans: list[CourtSpan], notes: list[str]) -> Court:
    solved = [span for span in spans if span.camera is not None]
    if len(spans) > 1:
        notes.append(f"the camera moved during the recording: {len(spans)} positions")
    if not solved:
        longest = max(spans, key=lambda span: span.end_s - span.start_s)
        return _unsolved(longest.reason, tuple(spans), notes)
    shake = max(span.camera.shake_px for span in solved)
    if shake > 0.5:
        notes.append(f"the picture shakes by {shake:.1f} pixels")
    missing = len(solved) < len(spans)
    return Court(
        spans=tuple(spans),
        points_to_give=POINTS_TO_GIVE if missing else (),
        notes=tuple(notes),
    )
