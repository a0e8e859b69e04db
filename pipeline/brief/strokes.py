"""The pages that show single strokes: three frames and the table of measures."""

from dataclasses import dataclass, replace
from itertools import chain, zip_longest
from pathlib import Path
from typing import Literal

from paddlebrief.brief.document import (
    Block,
    FramePicture,
    Frames,
    MeasureRow,
    MeasureTable,
    Note,
    Points,
    Prose,
    Section,
    Strip,
)
from paddlebrief.brief.scores import in_points, percent
from paddlebrief.brief.shown import COVERAGE, clock
from paddlebrief.brief.subject import StrokePictures, Subject, stroke_key
from paddlebrief.records import Measure, MeasuredStroke, RankedStroke

__all__ = ["INSTANTS", "strokes"]

INSTANTS = ("load", "contact", "finish")
"""The moments of a stroke that are shown as pictures."""

_STRIP_FROM = 3
"""Fewest values that make a strip worth drawing."""


@dataclass(frozen=True, kw_only=True)
class _Chosen:
    measured: MeasuredStroke
    verdict: Literal["best", "worst", "unranked"]
    ranked: RankedStroke | None = None


def strokes(subject: Subject) -> list[Section]:
    """Sections of the best and weakest strokes; of the strokes themselves when none is ranked."""
    said = subject.templates.brief.strokes
    chosen = _chosen(subject)
    if not chosen:
        return []
    sections = [_stroke_section(subject, one) for one in chosen]
    left_out = len(subject.strokes) - len(chosen)
    if left_out and not subject.ranked:
        blocks = sections[-1].blocks
        more = Prose(text=said.more.say(left_out))
        sections[-1] = replace(sections[-1], blocks=(*blocks[:-1], more, blocks[-1]))
    return sections


def _chosen(subject: Subject) -> list[_Chosen]:
    """The strokes that get a page each.

    When there are more ranked strokes than pages, first places of all groups come before second
    places, so that no group is left without pictures.
    """
    if not subject.ranked:
        return [
            _Chosen(measured=m, verdict="unranked")
            for m in subject.strokes[: subject.strokes_shown]
        ]
    by_place: dict[tuple[str, int], _Chosen] = {}
    columns = [_places(r.best, "best") for r in subject.ranked]
    columns += [_places(r.worst, "worst") for r in subject.ranked]
    for one in chain.from_iterable(zip_longest(*columns)):
        if one is not None:
            by_place.setdefault(stroke_key(one.measured), one)
    kept = list(by_place.values())[: subject.strokes_shown]
    order = [(ranking.side, ranking.kind) for ranking in subject.ranked]

    def place(one: _Chosen) -> tuple[int, str]:
        return order.index((one.measured.stroke.side, one.measured.stroke.kind)), one.verdict

    return sorted(kept, key=place)


def _places(ranked: tuple[RankedStroke, ...], verdict: Literal["best", "worst"]) -> list[_Chosen]:
    return [_Chosen(measured=r.stroke, verdict=verdict, ranked=r) for r in ranked]


def _stroke_section(subject: Subject, chosen: _Chosen) -> Section:
    said, measured = subject.templates.brief.strokes, chosen.measured
    name = subject.stroke_name(measured)
    heading = said.heading.format(
        stroke=name, group=subject.group_name(measured.stroke.side, measured.stroke.kind)
    )
    blocks: list[Block] = [Prose(text=_when(subject, measured))]
    if chosen.ranked is not None:
        items = tuple(
            ("", text) for text in (*chosen.ranked.reasons, _score(subject, chosen.ranked))
        )
        blocks.append(Points(heading=said.reasons_heading, items=items))
    blocks += [
        _frames(subject, measured),
        _measure_table(subject, measured),
        subject.writing_lines(),
    ]
    return Section(
        name="stroke",
        heading=heading,
        blocks=tuple(blocks),
        bookmark=heading,
        tag=getattr(said, chosen.verdict),
        starts_page=True,
    )


def _when(subject: Subject, measured: MeasuredStroke) -> str:
    said, names = subject.templates.brief.strokes, subject.templates.brief.names
    time, half_width = subject.contact(measured)
    recording, hand = Path(measured.recording).name, subject.hand(measured)
    words = {"recording": recording, "time": time, "half_width": half_width}
    if hand is None:
        when = said.when_unknown_hand.format(**words)
    else:
        when = said.when.format(**words, hand=hand)
    chances = [
        said.kind_chance_item.format(kind=getattr(names.kinds, kind.value), percent=percent(p))
        for kind, p in measured.stroke.kind_probabilities.items()
    ]
    chance = said.kind_chance.format(chances=subject.templates.brief.document.joiner.join(chances))
    return f"{when}. {chance}"


def _score(subject: Subject, ranked: RankedStroke) -> str:
    return subject.templates.brief.strokes.score.format(
        score=in_points(ranked.score),
        half_width=in_points(COVERAGE * ranked.score_sd),
        own_half_width=in_points(COVERAGE * ranked.score_own_sd),
        percent=percent(ranked.above_middle),
    )


def _frames(subject: Subject, measured: MeasuredStroke) -> Frames:
    names = subject.templates.brief.names
    found = subject.pictures.get(stroke_key(measured), StrokePictures())
    pictures = tuple(_frame(subject, measured, instant, found) for instant in INSTANTS)
    return Frames(pictures=pictures, legend=tuple(dict(names.lines).items()))


def _frame(
    subject: Subject, measured: MeasuredStroke, instant: str, found: StrokePictures
) -> FramePicture:
    said = subject.templates.brief.strokes
    name = getattr(subject.templates.brief.names.instants, instant)
    if instant == "contact":
        time, half_width = subject.contact(measured)
        caption = said.caption_contact.format(instant=name, time=time, half_width=half_width)
    else:
        time = clock(getattr(measured.stroke, f"{instant}_s"))
        caption = said.caption.format(instant=name, time=time)
    caption = _with_measure(subject, measured, instant, caption)
    path = getattr(found, instant)
    reason = found.reasons.get(instant, said.no_picture_known)
    return FramePicture(
        path=path,
        reason=None if path is not None else said.no_picture.format(reason=reason),
        caption=caption,
        alternative=said.alternative.format(
            player=subject.player, stroke=subject.stroke_name(measured), instant=name
        ),
    )


def _with_measure(subject: Subject, measured: MeasuredStroke, instant: str, caption: str) -> str:
    """The caption with the value in space that belongs to its moment, when there is one."""
    said = subject.templates.brief.strokes
    name = getattr(said.caption_measures, instant)
    measure = None if name is None else measured.measure(name)
    if measure is None or not measure.measured:
        return caption
    label = subject.templates.measure_text(measure.name).label
    return said.caption_measure.format(
        caption=caption, measure=label, value=subject.show(measure).sentence
    )


def _measure_table(subject: Subject, measured: MeasuredStroke) -> Block:
    said = subject.templates.brief.strokes
    if not measured.measures:
        return Note(text=said.no_measures)
    shown = [m for m in measured.measures if _on_page(subject, measured, m)]
    ordered = sorted(shown, key=lambda m: subject.templates.measure_rank(m.name))
    rows = tuple(_measure_row(subject, measured, measure) for measure in ordered)
    among = said.among if any(row.strip for row in rows) else ""
    return MeasureTable(titles=(said.measure, said.value, said.unit, said.frame, among), rows=rows)


def _on_page(subject: Subject, measured: MeasuredStroke, measure: Measure) -> bool:
    """Whether the stroke's own table holds a measure; the tables beside the brief hold all."""
    text = subject.templates.measure_text(measure.name)
    if text.instead_of is not None:
        other = measured.measure(text.instead_of)
        if other is not None and other.measured:
            return False
    return text.on_page == "always" or (text.on_page == "measured" and measure.measured)


def _measure_row(subject: Subject, measured: MeasuredStroke, measure: Measure) -> MeasureRow:
    said = subject.templates.brief.strokes
    label = subject.templates.measure_text(measure.name).label
    if not measure.measured:
        return MeasureRow(label=label, reason=said.not_measured.format(reason=measure.reason))
    shown = subject.show(measure)
    frames = subject.templates.brief.names.frames.model_dump(by_alias=True)
    return MeasureRow(
        label=label,
        value=f"{shown.value} ± {shown.half_width}",
        unit=shown.unit,
        frame=frames[measure.frame.value],
        strip=_strip(subject, measured, measure),
    )


def _strip(subject: Subject, measured: MeasuredStroke, measure: Measure) -> Strip | None:
    group = subject.of_group(measured.stroke.side, measured.stroke.kind)
    taken = subject.taken(group, measure.name)
    if len(taken) < _STRIP_FROM:
        return None
    places = subject.side_by_side(taken)
    halves = [COVERAGE * m.sd for m in taken]
    low = min(place - half for place, half in zip(places, halves, strict=True))
    high = max(place + half for place, half in zip(places, halves, strict=True))
    shares = [(place - low) / (high - low) for place in places]
    mine = next(i for i, m in enumerate(taken) if m is measure)
    half = halves[mine] / (high - low)
    return Strip(
        value=shares[mine],
        low=shares[mine] - half,
        high=shares[mine] + half,
        others=tuple(share for i, share in enumerate(shares) if i != mine),
    )
