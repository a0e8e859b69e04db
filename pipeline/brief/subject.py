"""The evidence on one player that a brief is built from, and how strokes are called in it."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

from paddlebrief.brief.document import WritingLines
from paddlebrief.brief.shown import COVERAGE, Shown, Units, clock, show, unwrapped
from paddlebrief.brief.template import Templates
from paddlebrief.records import (
    FootageInfo,
    Handedness,
    Kind,
    Measure,
    MeasuredStroke,
    PlayerRanking,
    Side,
)

__all__ = ["Provenance", "SessionFacts", "StrokeKey", "StrokePictures", "Subject", "joined"]

StrokeKey = tuple[str, int]
"""Recording (as in ``MeasuredStroke.recording``) and number of the stroke in it."""


@dataclass(frozen=True, kw_only=True)
class SessionFacts:
    """What is known of the session.

    Attributes
    ----------
    recordings
        The recordings that this player was seen in.
    faults
        Plain sentences on what was wrong with the session; those of the recordings themselves
        are in ``recordings``.
    """

    date: date | None
    venue: str | None
    recordings: tuple[FootageInfo, ...]
    faults: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class StrokePictures:
    """Annotated JPEG or PNG files of one stroke; where one is None, ``reasons`` says why.

    ``reasons`` is keyed by ``"load"``, ``"contact"`` and ``"finish"``.
    """

    load: Path | None = None
    contact: Path | None = None
    finish: Path | None = None
    reasons: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """What a brief can be made from again.

    Attributes
    ----------
    made
        When, with its time zone.
    settings_digest
        Hash of all settings of the run.
    recordings, models
        SHA-256 by name, 64 hex digits each.
    """

    version: str
    made: datetime
    settings_digest: str
    recordings: Mapping[str, str]
    models: Mapping[str, str]


@dataclass(frozen=True, kw_only=True)
class Subject:
    """One player's strokes with everything needed to name and number them on a page."""

    player: str
    strokes: tuple[MeasuredStroke, ...]
    rankings: tuple[PlayerRanking, ...]
    facts: SessionFacts
    pictures: Mapping[StrokeKey, StrokePictures]
    notes: tuple[str, ...]
    provenance: Provenance
    units: Units
    templates: Templates
    strokes_shown: int

    @property
    def session(self) -> str:
        """The session's date in words."""
        said, day = self.templates.brief.document, self.facts.date
        if day is None:
            return said.unknown_date
        return said.date.format(day=day.day, month=said.months[day.month - 1], year=day.year)

    @property
    def groups(self) -> dict[tuple[Side, Kind], list[MeasuredStroke]]:
        """Strokes by side and kind, in the order of the enumerations; no empty group."""
        keys = [(side, kind) for side in Side for kind in Kind]
        sorted_in = {key: self.of_group(*key) for key in keys}
        return {key: strokes for key, strokes in sorted_in.items() if strokes}

    @property
    def ranked(self) -> list[PlayerRanking]:
        """The rankings that put at least one stroke first or last."""
        return [ranking for ranking in self.rankings if ranking.best or ranking.worst]

    def of_group(self, side: Side, kind: Kind) -> list[MeasuredStroke]:
        return [s for s in self.strokes if (s.stroke.side, s.stroke.kind) == (side, kind)]

    def group_name(self, side: Side, kind: Kind) -> str:
        names = self.templates.brief.names
        return names.group.format(
            side=getattr(names.sides, side.value), kind=getattr(names.kinds, kind.value)
        )

    def stroke_name(self, measured: MeasuredStroke) -> str:
        """ "Stroke 3", with its recording when the strokes come from several."""
        names = self.templates.brief.names
        if len({s.recording for s in self.strokes}) < 2:
            return names.stroke.format(number=measured.stroke.number)
        return names.stroke_in.format(
            number=measured.stroke.number, recording=Path(measured.recording).name
        )

    def contact(self, measured: MeasuredStroke) -> tuple[str, str]:
        """Contact on the recording's clock and the half width of its 95 % interval, seconds."""
        half = COVERAGE * measured.stroke.contact_s_sd
        decimals = 2 if half >= 0.005 else 3
        return clock(measured.stroke.contact_s, decimals=decimals), f"{half:.{decimals}f}"

    def show(self, measure: Measure) -> Shown:
        decimals = self.templates.measure_text(measure.name).decimals
        return show(measure, decimals=decimals, units=self.units)

    def names_of_measures(self) -> list[str]:
        """Every measure that any stroke has, measured or not, in the order of the tables."""
        names = {m.name for s in self.strokes for m in s.measures}
        return sorted(names, key=self.templates.measure_rank)

    def taken(self, strokes: Iterable[MeasuredStroke], name: str) -> list[Measure]:
        """The measured values of that name among the strokes."""
        found = (s.measure(name) for s in strokes)
        return [m for m in found if m is not None and m.measured]

    def lead(self, name: str) -> str:
        """A name at the head of a point, its first letter a capital unless it is a file's."""
        name = name if "." in name else name[:1].upper() + name[1:]
        return self.templates.brief.document.lead.format(name=name)

    def writing_lines(self) -> WritingLines:
        said = self.templates.brief.notes
        return WritingLines(heading=said.heading, most=said.lines)

    def side_by_side(self, taken: Sequence[Measure]) -> list[float]:
        """Values of one measure in its SI unit, fit to be compared: see ``unwrapped``."""
        if not taken:
            return []
        period = self.templates.measure_text(taken[0].name).repeats_every
        return unwrapped([m.value for m in taken], period)

    def hand(self, measured: MeasuredStroke) -> str | None:
        hand = measured.stroke.hand
        if hand is Handedness.UNKNOWN:
            return None
        return getattr(self.templates.brief.strokes.hands, hand.value)


def stroke_key(measured: MeasuredStroke) -> StrokeKey:
    return measured.recording, measured.stroke.number


def joined(parts: Sequence[str], templates: Templates) -> str:
    """A list in words: "a", "a and b", "a, b and c"; empty for no parts."""
    said = templates.brief.document
    if len(parts) < 2:
        return "".join(parts)
    return said.joiner.join(parts[:-1]) + said.last_joiner + parts[-1]
