"""What a brief says: built from the records, with no thought of how it is laid out."""

from collections.abc import Callable, Mapping, Sequence

from paddlebrief.brief.document import (
    Block,
    Brief,
    Column,
    Facts,
    Footer,
    Grid,
    Masthead,
    Points,
    Prose,
    Section,
)
from paddlebrief.brief.scores import scores
from paddlebrief.brief.shown import Units, clock, show
from paddlebrief.brief.strokes import strokes
from paddlebrief.brief.subject import (
    Provenance,
    SessionFacts,
    StrokeKey,
    StrokePictures,
    Subject,
    stroke_key,
)
from paddlebrief.brief.summary import every_stroke, summary
from paddlebrief.brief.template import Templates, load_templates
from paddlebrief.records import FootageInfo, MeasuredStroke, PlayerRanking

__all__ = ["Provenance", "SessionFacts", "StrokePictures", "build", "line_labels"]

_RECORDINGS_NAMED = 4


def build(
    *,
    player: str,
    called: str | None = None,
    measured: Sequence[MeasuredStroke],
    rankings: Sequence[PlayerRanking],
    session_facts: SessionFacts,
    pictures: Mapping[StrokeKey, StrokePictures],
    notes: Sequence[str],
    provenance: Provenance,
    units: Units = "metric",
    strokes_shown: int = 6,
    templates: Templates | None = None,
) -> Brief:
    """Say what a player's brief says.

    Parameters
    ----------
    player
        Name in the records. Strokes and rankings of other players are left aside.
    called
        Name as printed; ``player`` when None.
    measured, rankings
        The session's strokes with their measures, and what was ranked.
    session_facts
        Date, venue, recordings and their faults.
    pictures
        Annotated frames by recording and stroke number; a stroke without an entry is shown
        without pictures.
    notes
        Plain sentences about this player's results.
    provenance
        What the brief can be made from again.
    units
        ``"metric"`` (metres, km/h) or ``"US"`` (feet, mph).
    strokes_shown
        Greatest number of strokes with a page of their own.
    templates
        Wording; the package's own when None.

    Returns
    -------
    Brief
        With no stroke of this player, a brief that says so.
    """
    templates = templates or load_templates()
    subject = Subject(
        player=called or player,
        strokes=tuple(sorted((m for m in measured if m.stroke.player == player), key=stroke_key)),
        rankings=tuple(r for r in rankings if r.player == player),
        facts=session_facts,
        pictures=pictures,
        notes=tuple(notes),
        provenance=provenance,
        units=units,
        templates=templates,
        strokes_shown=strokes_shown,
    )
    said = templates.brief.document
    words = {"player": subject.player, "session": subject.session}
    return Brief(
        title=said.title.format(**words),
        author=said.author.format(version=provenance.version),
        subject=said.subject,
        language=templates.brief.language,
        made=provenance.made,
        masthead=_masthead(subject),
        footer=Footer(template=said.footer, words=words),
        sections=tuple(s for name in templates.brief.sections for s in _SECTIONS[name](subject)),
    )


def line_labels(
    measured: MeasuredStroke, *, instant: str, templates: Templates | None = None
) -> dict[str, str]:
    """Short texts to stand beside the body lines on the picture of one instant.

    Parameters
    ----------
    instant
        ``"load"``, ``"contact"`` or ``"finish"``.

    Returns
    -------
    dict
        Text by line (``"hip"``, ``"shoulder"``, ``"wrist"``); a line whose measure was not taken
        is left out.
    """
    templates = templates or load_templates()
    wanted = dict(getattr(templates.brief.picture_labels, instant))
    labels = {}
    for line, name in wanted.items():
        measure = None if name is None else measured.measure(name)
        if measure is not None and measure.measured:
            decimals = templates.measure_text(measure.name).decimals
            shown = show(measure, decimals=decimals, units="metric")
            labels[line] = templates.brief.picture_label.format(**vars(shown))
    return labels


def _masthead(subject: Subject) -> Masthead:
    said = subject.templates.brief.document
    lines = [(said.session_label, subject.session)]
    if subject.facts.venue:
        lines.append((said.venue_label, subject.facts.venue))
    recordings = [_recording(subject, info) for info in subject.facts.recordings]
    named, more = recordings[:_RECORDINGS_NAMED], len(recordings) - _RECORDINGS_NAMED
    if more > 0:
        named.append(said.more_recordings.say(more))
    if named:
        lines.append((said.recordings_label.say(len(recordings)), "\n".join(named)))
    return Masthead(
        kicker=said.kicker,
        title=subject.player,
        lines=tuple(lines),
        missing_letters=said.missing_letters,
    )


def _recording(subject: Subject, info: FootageInfo) -> str:
    said = subject.templates.brief.document
    words = {
        "name": info.path.name,
        "length": clock(info.end_s - info.start_s, decimals=0),
        "rate": f"{float(info.frame_rate):.4g}",
    }
    if info.capture_rate == info.frame_rate:
        return said.recording.format(**words)
    return said.recording_slow.format(**words, capture=f"{float(info.capture_rate):.4g}")


def _not_measured(subject: Subject) -> list[Section]:
    said = subject.templates.brief.not_measured
    counts: dict[tuple[str, str], int] = {}
    for measure in (m for s in subject.strokes for m in s.measures if not m.measured):
        counts[measure.name, measure.reason] = counts.get((measure.name, measure.reason), 0) + 1
    ordered = sorted(counts, key=lambda key: (subject.templates.measure_rank(key[0]), key[1]))
    rows = [
        (
            subject.templates.measure_text(name).label,
            reason,
            said.of_all.format(n=counts[name, reason], all=len(subject.strokes)),
        )
        for name, reason in ordered
    ]
    columns = (
        Column(title=said.measure, share=1.6),
        Column(title=said.reason, share=3),
        Column(title=said.count, share=0.7, align="right"),
    )
    blocks: list[Block] = [Grid(columns=columns, rows=tuple(rows))] if rows else []
    if subject.strokes and not rows:
        blocks.append(Prose(text=said.nothing))
    faults = [("", fault) for fault in subject.facts.faults]
    faults += [
        (subject.lead(info.path.name), f) for info in subject.facts.recordings for f in info.faults
    ]
    if faults:
        blocks.append(Points(heading=said.faults_heading, items=tuple(faults)))
    if subject.notes:
        items = tuple(("", note) for note in subject.notes)
        blocks.append(Points(heading=said.notes_heading, items=items))
    if not blocks:
        return []
    return [_plain_section("not_measured", said.heading, blocks, starts_page=True)]


def _reading(subject: Subject) -> list[Section]:
    said = subject.templates.guidance.reading
    blocks: list[Block] = [Points(items=tuple((p.lead, p.text) for p in said.points))]
    known = [subject.templates.measure_text(name) for name in subject.names_of_measures()]
    rows = tuple((text.label, text.explains) for text in known if text.explains)
    if rows:
        columns = (Column(title=said.measure, share=1.5), Column(title=said.explains, share=3.5))
        blocks.append(Grid(heading=said.measures_heading, columns=columns, rows=rows))
    return [_plain_section("reading", said.heading, blocks)]


def _cautions(subject: Subject) -> list[Section]:
    said = subject.templates.guidance.cautions
    points = Points(items=tuple((p.lead, p.text) for p in said.points), mark="box")
    return [_plain_section("cautions", said.heading, [points])]


def _provenance(subject: Subject) -> list[Section]:
    said, made_from = subject.templates.brief.provenance, subject.provenance
    rows = [
        (said.made, made_from.made.isoformat(sep=" ", timespec="minutes")),
        (said.version, made_from.version),
        (said.settings, made_from.settings_digest),
        *((said.recording.format(name=n), h) for n, h in made_from.recordings.items()),
        *((said.model.format(name=n), h) for n, h in made_from.models.items()),
    ]
    blocks = [Prose(text=said.text), Facts(rows=tuple(rows))]
    return [_plain_section("provenance", said.heading, blocks)]


def _plain_section(
    name: str, heading: str, blocks: list[Block], *, starts_page: bool = False
) -> Section:
    return Section(
        name=name,
        heading=heading,
        blocks=tuple(blocks),
        bookmark=heading,
        starts_page=starts_page,
    )


def _scores(subject: Subject) -> list[Section]:
    section = scores(subject)
    return [] if section is None else [section]


def _every_stroke(subject: Subject) -> list[Section]:
    section = every_stroke(subject)
    return [] if section is None else [section]


_SECTIONS: dict[str, Callable[[Subject], list[Section]]] = {
    "summary": lambda subject: [summary(subject)],
    "strokes": strokes,
    "scores": _scores,
    "every_stroke": _every_stroke,
    "not_measured": _not_measured,
    "reading": _reading,
    "cautions": _cautions,
    "provenance": _provenance,
}
"""Builders of the sections that brief.yaml may list, by the names used there."""
