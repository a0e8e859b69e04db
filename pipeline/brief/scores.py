"""The section with every score: what it is, how sure by itself and how sure between strokes."""

from paddlebrief.brief.document import Column, Grid, Section
from paddlebrief.brief.shown import COVERAGE
from paddlebrief.brief.subject import Subject
from paddlebrief.records import PlayerRanking, RankedStroke

__all__ = ["in_points", "percent", "scores"]


def scores(subject: Subject) -> Section | None:
    """Section "scores": every scored stroke, best first in its group; None without any."""
    said = subject.templates.brief.scores
    rows = [_row(subject, r, one) for r in subject.rankings for one in r.order]
    if not rows:
        return None
    columns = (
        Column(title=said.stroke, share=1.2),
        Column(title=said.time, share=0.8, align="right"),
        Column(title=said.group, share=1.6),
        Column(title=said.score, share=0.8, align="right"),
        Column(title=said.alone, share=1.0, align="right"),
        Column(title=said.between, share=1.0, align="right"),
        Column(title=said.above, share=1.1, align="right"),
    )
    grid = Grid(note=said.note, columns=columns, rows=tuple(rows))
    return Section(
        name="scores", heading=said.heading, blocks=(grid,), bookmark=said.heading, starts_page=True
    )


def _row(subject: Subject, ranking: PlayerRanking, one: RankedStroke) -> tuple[str, ...]:
    said = subject.templates.brief.scores
    above = said.above_chance.format(percent=percent(one.above_middle))
    return (
        subject.stroke_name(one.stroke),
        subject.contact(one.stroke)[0],
        subject.group_name(ranking.side, ranking.kind),
        in_points(one.score),
        in_points(COVERAGE * one.score_sd),
        in_points(COVERAGE * one.score_own_sd),
        said.not_known if ranking.note else above,
    )


def in_points(value: float) -> str:
    """A score or its half width, to a hundredth of a point."""
    text = f"{value:.2f}"
    return (text.lstrip("-") if float(text) == 0 else text).replace("-", "−")


def percent(probability: float) -> str:
    """Whole per cent; never 0 or 100, which no model can know."""
    if probability < 0.005:
        return "< 1"
    if probability > 0.995:
        return "> 99"
    return f"{100 * probability:.0f}"
