"""The first page of a brief: findings, counts, best and weakest strokes, overview."""

from dataclasses import replace
from functools import partial
from itertools import zip_longest

import numpy as np

from paddlebrief.brief.document import Block, Column, Grid, Pair, Points, Prose, Section
from paddlebrief.brief.shown import homogeneity, in_units, median_range
from paddlebrief.brief.subject import Subject, joined, stroke_key
from paddlebrief.records import (
    FrameOfReference,
    Kind,
    Measure,
    MeasuredStroke,
    PlayerRanking,
    RankedStroke,
    Side,
)

__all__ = ["LISTED_ON_FIRST_PAGE", "every_stroke", "needs_list", "summary"]

LISTED_ON_FIRST_PAGE = 10
"""Strokes that the overview lists one by one; with more, the list gets a section of its own."""

_LISTED_AT_MOST = 200
_VERDICTS_NAMED = 5
"""Strokes named on the first page as best, and as weakest; each has its own page as well."""

_COMPARABLE = 3
"""Fewest strokes of one side and kind whose spread is worth a sentence."""


def summary(subject: Subject) -> Section:
    """Section "summary"."""
    said = subject.templates.brief.summary
    findings = Prose(heading=said.findings_heading, text=_findings(subject))
    if not subject.strokes:
        return _section(subject, (findings,))
    top = Pair(left=(findings,), right=(_counts(subject),), share=0.56)
    return _section(
        subject, (top, *_verdicts(subject), _overview(subject), subject.writing_lines())
    )


def _section(subject: Subject, blocks: tuple[Block, ...]) -> Section:
    kicker = subject.templates.brief.document.kicker
    return Section(name="summary", heading="", blocks=blocks, bookmark=kicker)


def _findings(subject: Subject) -> str:
    said = subject.templates.brief.summary
    if not subject.strokes:
        return said.none.format(player=subject.player)
    sentences = [said.found.say(len(subject.strokes), player=subject.player)]
    unsure = sum(s.stroke.kind is Kind.UNSURE for s in subject.strokes)
    if unsure:
        sentences.append(said.unsettled.say(unsure))
    # One sentence on the largest group is read; one on each is not.
    if subject.ranked:
        largest = max(subject.ranked, key=partial(_size, subject))
        sentences.append(_ranked_sentence(subject, largest))
    key, strokes = max(subject.groups.items(), key=lambda group: len(group[1]))
    if len(strokes) >= _COMPARABLE:
        sentences.append(_spread_sentence(subject, strokes, subject.group_name(*key)))
    frames = {m.frame for s in subject.strokes for m in s.measures if m.measured and m.unit == "°"}
    if FrameOfReference.IMAGE in frames:
        in_space = frames & {FrameOfReference.COURT, FrameOfReference.GRAVITY}
        sentences.append(said.image_and_space if in_space else said.image_only)
    return " ".join(sentences)


def _size(subject: Subject, ranking: PlayerRanking) -> int:
    return len(subject.of_group(ranking.side, ranking.kind))


def _ranked_sentence(subject: Subject, ranking: PlayerRanking) -> str:
    best, worst = (
        joined([_in_sentence(subject, r.stroke) for r in ranked], subject.templates)
        for ranked in (ranking.best, ranking.worst)
    )
    said = subject.templates.brief.summary
    words = {
        "n": _size(subject, ranking),
        "group": subject.group_name(ranking.side, ranking.kind),
    }
    if not worst:
        return said.ranked_best.format(**words, best=best)
    if not best:
        return said.ranked_worst.format(**words, worst=worst)
    return said.ranked.format(**words, best=best, worst=worst)


def _in_sentence(subject: Subject, measured: MeasuredStroke) -> str:
    name = subject.stroke_name(measured)
    return name[:1].lower() + name[1:]


def _ended(sentence: str) -> str:
    return sentence if sentence.rstrip().endswith((".", "!", "?", "…")) else sentence + "."


def _spread_sentence(subject: Subject, strokes: list[MeasuredStroke], group: str) -> str:
    """What changed most between strokes, by Cochran's Q with a Bonferroni-held 5 % risk."""
    said = subject.templates.brief.summary
    taken = {name: subject.taken(strokes, name) for name in subject.names_of_measures()}
    taken = {name: found for name, found in taken.items() if len(found) >= _COMPARABLE}
    tests = {
        name: homogeneity(subject.side_by_side(found), [m.sd for m in found])
        for name, found in taken.items()
    }
    varied = {name: q for name, (q, p) in tests.items() if p < 0.05 / len(tests)}
    if not varied:
        return said.steady.format(group=group)
    name = max(varied, key=varied.get)
    places = subject.side_by_side(taken[name])
    ordered = [taken[name][i] for i in np.argsort(places)]
    label = subject.templates.measure_text(name).label
    return said.varied.format(
        group=group,
        measure=label[:1].lower() + label[1:],
        low=subject.show(ordered[0]).sentence,
        high=subject.show(ordered[-1]).sentence,
    )


def _counts(subject: Subject) -> Grid:
    said, names = subject.templates.brief.summary, subject.templates.brief.names
    strokes = [s.stroke for s in subject.strokes]
    kinds = [kind for kind in Kind if any(s.kind is kind for s in strokes)]
    sides = [side for side in Side if any(s.side is side for s in strokes)]
    rows = []
    for side in sides:
        here = [s for s in strokes if s.side is side]
        counts = [str(sum(s.kind is kind for s in here)) for kind in kinds]
        rows.append((getattr(names.sides, side.value), *counts, str(len(here))))
    if len(sides) > 1:
        totals = [str(sum(s.kind is kind for s in strokes)) for kind in kinds]
        rows.append((said.counts_total, *totals, str(len(strokes))))
    titles = [*(getattr(names.kinds, kind.value) for kind in kinds), said.counts_total]
    columns = [Column(title="", share=1.6)]
    columns += [Column(title=title, share=1, align="right") for title in titles]
    return Grid(heading=said.counts_heading, columns=tuple(columns), rows=tuple(rows))


def _verdicts(subject: Subject) -> tuple[Block, ...]:
    said = subject.templates.brief.summary
    unranked = [
        (subject.lead(subject.group_name(r.side, r.kind)), _ended(r.note))
        for r in subject.rankings
        if r.note and r not in subject.ranked
    ]
    if not subject.ranked:
        items = tuple(unranked) or (("", said.unranked),)
        return (Points(heading=said.unranked_heading, items=items),)
    best = _ranked_items(subject, [(r, r.best) for r in subject.ranked])
    worst = _ranked_items(subject, [(r, r.worst) for r in subject.ranked])
    best, worst = best or (("", said.none_best),), worst or (("", said.none_worst),)
    blocks: list[Block] = [
        Pair(
            left=(Points(heading=said.best_heading, items=best, mark="up"),),
            right=(Points(heading=said.worst_heading, items=worst, mark="down"),),
        )
    ]
    if unranked:
        blocks.append(Points(heading=said.partly_unranked_heading, items=tuple(unranked)))
    return tuple(blocks)


def _ranked_items(
    subject: Subject, places: list[tuple[PlayerRanking, tuple[RankedStroke, ...]]]
) -> tuple[tuple[str, str], ...]:
    """Strokes with their weightiest reason: all first places, then all second ones, …"""
    said = subject.templates.brief.summary
    columns = [[(ranking, one) for one in ranked] for ranking, ranked in places]
    in_turn = [pair for place in zip_longest(*columns) for pair in place if pair is not None]
    items = []
    for ranking, one in in_turn[:_VERDICTS_NAMED]:
        time, _ = subject.contact(one.stroke)
        group = subject.group_name(ranking.side, ranking.kind)
        lead = said.ranked_item.format(
            stroke=subject.stroke_name(one.stroke), time=time, group=group
        )
        items.append((lead, _ended(one.reasons[0]) if one.reasons else ""))
    return tuple(items)


def _overview_names(subject: Subject) -> list[str]:
    wanted = subject.templates.brief.overview
    return [name for name in wanted if subject.taken(subject.strokes, name)][:3]


def _measure_title(subject: Subject, name: str) -> str:
    *_, unit = in_units(subject.taken(subject.strokes, name)[0], subject.units)
    return f"{subject.templates.measure_text(name).label}, {unit}"


def _overview(subject: Subject) -> Grid:
    said = subject.templates.brief.summary
    if needs_list(subject):
        return _median_grid(subject)
    return _stroke_grid(
        subject,
        strokes=subject.strokes,
        heading=said.overview_heading,
        note=said.overview_values,
    )


def needs_list(subject: Subject) -> bool:
    """True when there are more strokes than the first page lists one by one."""
    return len(subject.strokes) > LISTED_ON_FIRST_PAGE


def _median_grid(subject: Subject) -> Grid:
    said, names = subject.templates.brief.summary, _overview_names(subject)
    rows = []
    for (side, kind), strokes in subject.groups.items():
        cells = [_median_cell(subject, subject.taken(strokes, name)) for name in names]
        rows.append((subject.group_name(side, kind), str(len(strokes)), *cells))
    columns = (
        Column(title=said.overview_group, share=1.5),
        Column(title=said.overview_count, share=0.7, align="right"),
        *(Column(title=_measure_title(subject, n), share=1.5, align="right") for n in names),
    )
    return Grid(
        heading=said.overview_heading,
        note=said.overview_medians,
        columns=columns,
        rows=tuple(rows),
    )


def _median_cell(subject: Subject, taken: list[Measure]) -> str:
    said = subject.templates.brief.summary
    if not taken:
        return said.not_taken
    values = subject.side_by_side(taken)
    found = median_range(
        [
            in_units(replace(m, value=v), subject.units)[0]
            for m, v in zip(taken, values, strict=True)
        ]
    )
    if found is None:
        return said.too_few.format(n=len(values))
    decimals = subject.templates.measure_text(taken[0].name).decimals
    middle, low, high = (f"{v:.{decimals}f}".replace("-", "−") for v in found)
    return f"{middle} ({low} … {high})"


def _stroke_grid(
    subject: Subject, *, strokes: tuple[MeasuredStroke, ...], heading: str | None, note: str
) -> Grid:
    said, names = subject.templates.brief.summary, _overview_names(subject)
    rows = []
    for measured in strokes:
        group = subject.group_name(measured.stroke.side, measured.stroke.kind)
        cells = [_value_cell(subject, measured.measure(name)) for name in names]
        rows.append((subject.stroke_name(measured), subject.contact(measured)[0], group, *cells))
    columns = (
        Column(title=said.overview_stroke, share=1.2),
        Column(title=said.overview_time, share=0.8, align="right"),
        Column(title=said.overview_kind, share=1.6),
        *(Column(title=_measure_title(subject, n), share=1.3, align="right") for n in names),
    )
    return Grid(heading=heading, note=note, columns=columns, rows=tuple(rows))


def _value_cell(subject: Subject, measure: Measure | None) -> str:
    if measure is None or not measure.measured:
        return subject.templates.brief.summary.not_taken
    shown = subject.show(measure)
    return f"{shown.value} ± {shown.half_width}"


def every_stroke(subject: Subject) -> Section | None:
    """Section "every_stroke": the list of strokes, or None when the first page has it."""
    if not needs_list(subject):
        return None
    said = subject.templates.brief.every_stroke
    ordered = sorted(subject.strokes, key=stroke_key)
    grid = _stroke_grid(
        subject,
        strokes=tuple(ordered[:_LISTED_AT_MOST]),
        heading=None,
        note=subject.templates.brief.summary.overview_values,
    )
    blocks: list[Block] = [grid]
    if len(ordered) > _LISTED_AT_MOST:
        blocks.append(Prose(text=said.more.say(len(ordered) - _LISTED_AT_MOST)))
    return Section(
        name="every_stroke",
        heading=said.heading,
        blocks=tuple(blocks),
        bookmark=said.heading,
        starts_page=True,
    )
