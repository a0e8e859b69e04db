"""What the wording files may say, and which words each sentence lets fill in."""

from string import Formatter
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

__all__ = [
    "BriefWording",
    "Counted",
    "Guidance",
    "MeasureText",
    "Measures",
    "Point",
    "StatusWording",
]

SectionName = Literal[
    "summary",
    "strokes",
    "scores",
    "every_stroke",
    "not_measured",
    "reading",
    "cautions",
    "provenance",
]


def _check_fields(text: str, allowed: tuple[str, ...]) -> str:
    try:
        used = [field for _, field, _, _ in Formatter().parse(text) if field is not None]
    except ValueError as fault:
        raise ValueError(f"braces do not match in “{text}” ({fault})") from None
    unknown = [field for field in used if field not in allowed]
    if unknown:
        accepted = ", ".join("{" + name + "}" for name in allowed) or "no words in braces"
        raise ValueError(f"“{text}” uses {{{unknown[0]}}}; accepted here: {accepted}")
    return text


def _fills(*allowed: str) -> AfterValidator:
    return AfterValidator(lambda text: _check_fields(text, allowed))


def _check_sections(names: tuple[str, ...]) -> tuple[str, ...]:
    twice = [name for name in names if names.count(name) > 1]
    if twice:
        raise ValueError(f"section {twice[0]} is listed twice")
    if "cautions" not in names:
        raise ValueError("a brief is never printed without its cautions")
    return names


Plain = Annotated[str, _fills()]


class _Wording(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Counted(_Wording):
    """A sentence for one thing and for several."""

    one: str
    many: str

    def say(self, n: int, **words: object) -> str:
        """The sentence for ``n`` things, ``n`` ≥ 1, with its words filled in."""
        return (self.one if n == 1 else self.many).format(n=n, **words)


def _counts(*allowed: str) -> AfterValidator:
    def check(counted: Counted) -> Counted:
        for text in (counted.one, counted.many):
            _check_fields(text, ("n", *allowed))
        return counted

    return AfterValidator(check)


class DocumentWording(_Wording):
    title: Annotated[str, _fills("player", "session")]
    subject: Plain
    author: Annotated[str, _fills("version")]
    kicker: Plain
    footer: Annotated[str, _fills("player", "session", "page", "pages")]
    unknown_date: Plain
    date: Annotated[str, _fills("day", "month", "year")]
    months: Annotated[tuple[Plain, ...], Field(min_length=12, max_length=12)]
    joiner: Plain
    last_joiner: Plain
    session_label: Plain
    venue_label: Plain
    recordings_label: Annotated[Counted, _counts()]
    recording: Annotated[str, _fills("name", "length", "rate")]
    recording_slow: Annotated[str, _fills("name", "length", "rate", "capture")]
    more_recordings: Annotated[Counted, _counts()]
    lead: Annotated[str, _fills("name")]
    missing_letters: Plain


class SideNames(_Wording):
    forehand: Plain
    backhand: Plain
    unsure: Plain


class KindNames(_Wording):
    drive: Plain
    slice: Plain
    other: Plain
    unsure: Plain


class LineNames(_Wording):
    hip: Plain
    shoulder: Plain
    wrist: Plain


class InstantNames(_Wording):
    load: Plain
    contact: Plain
    finish: Plain


class FrameNames(_Wording):
    image: Plain = Field(alias="image plane")
    gravity: Plain = Field(alias="gravity-aligned, scaled by body size")
    court: Plain
    time: Plain = Field(alias="time only")


class Names(_Wording):
    sides: SideNames
    kinds: KindNames
    frames: FrameNames
    lines: LineNames
    instants: InstantNames
    group: Annotated[str, _fills("side", "kind")]
    stroke: Annotated[str, _fills("number")]
    stroke_in: Annotated[str, _fills("number", "recording")]


class LabelledLines(_Wording):
    hip: str | None = None
    shoulder: str | None = None
    wrist: str | None = None
    paddle: str | None = None


class LabelledInstants(_Wording):
    load: LabelledLines
    contact: LabelledLines
    finish: LabelledLines


class SummaryWording(_Wording):
    findings_heading: Plain
    none: Annotated[str, _fills("player")]
    found: Annotated[Counted, _counts("player")]
    unsettled: Annotated[Counted, _counts()]
    ranked: Annotated[str, _fills("n", "group", "best", "worst")]
    ranked_best: Annotated[str, _fills("n", "group", "best")]
    ranked_worst: Annotated[str, _fills("n", "group", "worst")]
    varied: Annotated[str, _fills("group", "measure", "low", "high")]
    steady: Annotated[str, _fills("group")]
    image_only: Plain
    image_and_space: Plain
    counts_heading: Plain
    counts_total: Plain
    best_heading: Plain
    worst_heading: Plain
    none_best: Plain
    none_worst: Plain
    unranked_heading: Plain
    partly_unranked_heading: Plain
    unranked: Plain
    ranked_item: Annotated[str, _fills("stroke", "group", "time")]
    overview_heading: Plain
    overview_medians: Plain
    overview_values: Plain
    overview_group: Plain
    overview_count: Plain
    overview_stroke: Plain
    overview_time: Plain
    overview_kind: Plain
    too_few: Annotated[str, _fills("n")]
    not_taken: Plain


class HandNames(_Wording):
    right: Plain
    left: Plain


class CaptionMeasures(_Wording):
    load: str | None = None
    contact: str | None = None
    finish: str | None = None


class StrokesWording(_Wording):
    heading: Annotated[str, _fills("stroke", "group")]
    best: Plain
    worst: Plain
    unranked: Plain
    when: Annotated[str, _fills("recording", "time", "half_width", "hand")]
    when_unknown_hand: Annotated[str, _fills("recording", "time", "half_width")]
    hands: HandNames
    kind_chance: Annotated[str, _fills("chances")]
    kind_chance_item: Annotated[str, _fills("kind", "percent")]
    reasons_heading: Plain
    score: Annotated[str, _fills("score", "half_width", "own_half_width", "percent")]
    caption_measures: CaptionMeasures
    caption_measure: Annotated[str, _fills("caption", "measure", "value")]
    caption: Annotated[str, _fills("instant", "time")]
    caption_contact: Annotated[str, _fills("instant", "time", "half_width")]
    alternative: Annotated[str, _fills("player", "stroke", "instant")]
    no_picture: Annotated[str, _fills("reason")]
    no_picture_known: Plain
    measure: Plain
    value: Plain
    unit: Plain
    frame: Plain
    among: Plain
    not_measured: Annotated[str, _fills("reason")]
    no_measures: Plain
    more: Annotated[Counted, _counts()]


class ScoresWording(_Wording):
    heading: Plain
    note: Plain
    stroke: Plain
    time: Plain
    group: Plain
    score: Plain
    alone: Plain
    between: Plain
    above: Plain
    above_chance: Annotated[str, _fills("percent")]
    not_known: Plain


class EveryStrokeWording(_Wording):
    heading: Plain
    more: Annotated[Counted, _counts()]


class NotMeasuredWording(_Wording):
    heading: Plain
    nothing: Plain
    measure: Plain
    reason: Plain
    count: Plain
    of_all: Annotated[str, _fills("n", "all")]
    faults_heading: Plain
    notes_heading: Plain


class ProvenanceWording(_Wording):
    heading: Plain
    text: Plain
    made: Plain
    version: Plain
    settings: Plain
    recording: Annotated[str, _fills("name")]
    model: Annotated[str, _fills("name")]


class NotesWording(_Wording):
    heading: Plain
    lines: int = Field(ge=0, le=30, description="most ruled lines on a page; 0 for none")


class BriefWording(_Wording):
    """brief.yaml."""

    language: str = Field(pattern=r"^[a-z]{2,3}(-[A-Za-z0-9]+)*$", description="BCP 47 tag")
    sections: Annotated[tuple[SectionName, ...], AfterValidator(_check_sections)]
    overview: tuple[str, ...]
    document: DocumentWording
    notes: NotesWording
    names: Names
    picture_labels: LabelledInstants
    picture_label: Annotated[str, _fills("value", "half_width", "unit")]
    summary: SummaryWording
    strokes: StrokesWording
    scores: ScoresWording
    every_stroke: EveryStrokeWording
    not_measured: NotMeasuredWording
    provenance: ProvenanceWording


class Point(_Wording):
    """A few bold words and what follows them; the text may be empty."""

    lead: Plain
    text: Plain


class Reading(_Wording):
    heading: Plain
    points: tuple[Point, ...]
    measures_heading: Plain
    measure: Plain
    explains: Plain


class Cautions(_Wording):
    heading: Plain
    points: Annotated[tuple[Point, ...], Field(min_length=1)]


class Consent(_Wording):
    """What a brief says of the consent to be filmed."""

    unknown: Plain
    minor: Plain


class Guidance(_Wording):
    """guidance.yaml."""

    reading: Reading
    cautions: Cautions
    consent: Consent


class MeasureText(_Wording):
    """How one measure reads on the page."""

    label: Plain
    explains: Plain
    decimals: int = Field(ge=0, le=6)
    repeats_every: float | None = Field(
        None, gt=0, description="period of a value that repeats, as the tilt of a line does"
    )
    on_page: Literal["always", "measured", "never"] = Field(
        "always", description="whether a stroke's own table holds it"
    )
    instead_of: str | None = Field(
        None, description="measure in whose place it stands when that one was not taken"
    )


class Measures(_Wording):
    """measures.yaml; the order is the order of the tables."""

    measures: dict[str, MeasureText]


class PeopleWording(_Wording):
    none: Plain
    one: Plain
    many: Annotated[str, _fills("n")]


class NoStrokeWording(_Wording):
    title: Plain
    what_heading: Plain
    what: Annotated[str, _fills("recording", "start", "end")]
    people: PeopleWording
    todo_heading: Plain
    todo: tuple[Annotated[str, _fills("recording")], ...]


class FailedWording(_Wording):
    title: Plain
    what_heading: Plain
    expected: Annotated[str, _fills("expected")]
    found: Annotated[str, _fills("found")]
    unexpected: Annotated[str, _fills("message")]
    todo_heading: Plain
    todo: tuple[Plain, ...]
    todo_unexpected: tuple[Plain, ...]


class StatusWording(_Wording):
    """status.yaml."""

    kicker: Plain
    footer: Annotated[str, _fills("recording", "page", "pages")]
    recording_label: Plain
    made_label: Plain
    version_label: Plain
    hash_label: Plain
    settings_label: Plain
    no_stroke: NoStrokeWording
    failed: FailedWording
    faults_heading: Plain
