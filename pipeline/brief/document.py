"""What a page says, free of how it is laid out: a document of sections made of blocks.

All texts are plain, with no markup; escaping is the layout's work.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

__all__ = [
    "Block",
    "Brief",
    "Column",
    "Document",
    "Facts",
    "Footer",
    "FramePicture",
    "Frames",
    "Grid",
    "Masthead",
    "MeasureRow",
    "MeasureTable",
    "Note",
    "Pair",
    "Points",
    "Prose",
    "Section",
    "Status",
    "Strip",
    "WritingLines",
]


@dataclass(frozen=True, kw_only=True)
class Prose:
    """One running paragraph, under a small heading when it has one."""

    text: str
    heading: str | None = None


@dataclass(frozen=True, kw_only=True)
class Note:
    """A set-off remark."""

    text: str


@dataclass(frozen=True, kw_only=True)
class Points:
    """A list of (lead, text) pairs; either may be empty. ``mark`` is drawn before each."""

    items: tuple[tuple[str, str], ...]
    heading: str | None = None
    mark: Literal["dot", "up", "down", "box"] = "dot"


@dataclass(frozen=True, kw_only=True)
class Column:
    """A table column: its title, its share of the width, and how its cells stand."""

    title: str
    share: float
    align: Literal["left", "right"] = "left"


@dataclass(frozen=True, kw_only=True)
class Grid:
    """A plain table; every row has one cell for each column."""

    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]
    heading: str | None = None
    note: str | None = None

    def __post_init__(self) -> None:
        for row in self.rows:
            if len(row) != len(self.columns):
                raise ValueError(f"expected {len(self.columns)} cells in each row, got {len(row)}")


@dataclass(frozen=True, kw_only=True)
class Pair:
    """Two stacks of blocks side by side; ``share`` is the left one's part of the width."""

    left: tuple["Block", ...]
    right: tuple["Block", ...]
    share: float = 0.5


@dataclass(frozen=True, kw_only=True)
class FramePicture:
    """One annotated frame, or the reason why there is none."""

    path: Path | None
    reason: str | None
    caption: str
    alternative: str


@dataclass(frozen=True, kw_only=True)
class Frames:
    """Frames side by side, and what their lines mean: (line name, text) pairs."""

    pictures: tuple[FramePicture, ...]
    legend: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class Strip:
    """Where one value lies among others, as shares (0 to 1) of the range they all span."""

    value: float
    low: float
    high: float
    others: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class MeasureRow:
    """One measure of one stroke. ``reason`` is set, and the rest empty, when there is no value."""

    label: str
    value: str = ""
    unit: str = ""
    frame: str = ""
    reason: str | None = None
    strip: Strip | None = None


@dataclass(frozen=True, kw_only=True)
class MeasureTable:
    """The measures of one stroke; ``titles`` are those of the five columns."""

    titles: tuple[str, str, str, str, str]
    rows: tuple[MeasureRow, ...]


@dataclass(frozen=True, kw_only=True)
class Facts:
    """Name and value pairs, set small."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class WritingLines:
    """Ruled lines for handwriting, as many as the page has room for, ``most`` at most."""

    heading: str
    most: int


Block = Prose | Note | Points | Grid | Pair | Frames | MeasureTable | Facts | WritingLines


@dataclass(frozen=True, kw_only=True)
class Section:
    """A headed stretch of a document.

    Attributes
    ----------
    bookmark
        Text in the reader's outline.
    tag
        A few words set beside the heading.
    starts_page
        True when the section begins on a new page.
    """

    name: str
    heading: str
    blocks: tuple[Block, ...]
    bookmark: str
    tag: str | None = None
    starts_page: bool = False


@dataclass(frozen=True, kw_only=True)
class Masthead:
    """Head of the first page: a small line, the title, and labelled lines."""

    kicker: str
    title: str
    lines: tuple[tuple[str, str], ...]
    missing_letters: str


@dataclass(frozen=True, kw_only=True)
class Footer:
    """Foot of every page."""

    template: str
    words: Mapping[str, str] = field(default_factory=dict)

    def text(self, *, page: int, pages: int) -> str:
        return self.template.format(**self.words, page=page, pages=pages)


@dataclass(frozen=True, kw_only=True)
class Document:
    """Everything that is printed, in order, with what the file's properties say."""

    title: str
    author: str
    subject: str
    language: str
    made: datetime
    masthead: Masthead
    footer: Footer
    sections: tuple[Section, ...]


class Brief(Document):
    """The brief of one player."""


class Status(Document):
    """The page that stands in for a brief when a recording gave none."""
