"""Turning the blocks of a document into flowables: paragraph styles, tables, frames."""

from functools import singledispatchmethod
from xml.sax.saxutils import escape, quoteattr

from reportlab.lib.colors import HexColor
from reportlab.lib.enums import TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, PageBreak, Spacer

from paddlebrief.brief.document import (
    Block,
    Facts,
    Frames,
    Grid,
    Masthead,
    MeasureRow,
    MeasureTable,
    Note,
    Pair,
    Points,
    Prose,
    Section,
    WritingLines,
)
from paddlebrief.brief.flowables import (
    FramesRow,
    Heading,
    Legend,
    RuledLines,
    StripMark,
    TaggedParagraph,
    TaggedTable,
    new_key,
)
from paddlebrief.brief.fonts import covers, register, runs
from paddlebrief.brief.template import Templates

__all__ = ["Setter"]

_MARKS = {"dot": "•", "up": "▲", "down": "▼", "box": "☐"}
_HEADING_NEEDS_MM = 32
"""A section that does not start a page goes to the next one when less than this is left."""


class Setter:
    """Sets the blocks of one document, with the styles of its templates.

    Parameters
    ----------
    width, height
        Room for text on a page, points.
    """

    def __init__(self, templates: Templates, *, width: float, height: float) -> None:
        self.templates = templates
        self.width, self.height = width, height
        self.fonts = register(templates)
        self.colours = templates.colours.page
        self._styles = self._make_styles()

    def _make_styles(self) -> dict[str, ParagraphStyle]:
        text, page = self.templates.page.text, self.colours

        def style(name: str, font: str, size: float, **rest) -> ParagraphStyle:
            leading = size * rest.pop("leading", text.leading)
            colour = HexColor(rest.pop("colour", page.ink))
            return ParagraphStyle(
                name,
                fontName=self.fonts[font],
                bulletFontName=self.fonts[font],
                fontSize=size,
                leading=leading,
                textColor=colour,
                **rest,
            )

        small, table, body = text.small_pt, text.table_pt, text.body_pt
        return {
            "kicker": style("kicker", "plain_bold", small, colour=page.accent),
            "title": style("title", "prose_bold", text.title_pt, leading=1.15, colour=page.heading),
            "heading": style(
                "heading", "prose_bold", text.heading_pt, leading=1.2, colour=page.heading
            ),
            "subhead": style(
                "subhead", "plain_bold", body, colour=page.accent, spaceAfter=2, keepWithNext=1
            ),
            "prose": style("prose", "prose", body, spaceAfter=3),
            "item": style("item", "prose", body, leftIndent=13, spaceAfter=3),
            "small": style("small", "plain", small, colour=page.muted),
            "tag": style("tag", "plain_bold", small, colour=page.accent),
            "caption": style("caption", "plain_bold", small, leading=1.3),
            "head": style("head", "plain_bold", small, leading=1.25, colour=page.heading),
            "head_right": style(
                "head_right", "plain_bold", small, leading=1.25, colour=page.heading,
                alignment=TA_RIGHT,
            ),
            "cell": style("cell", "plain", table, leading=1.25),
            "cell_right": style("cell_right", "plain", table, leading=1.25, alignment=TA_RIGHT),
            "cell_bold": style("cell_bold", "plain_bold", table, leading=1.25),
            "missing": style(
                "missing", "plain_italic", table, leading=1.25, colour=page.muted
            ),
            "code": style("code", "code", small * 0.92, leading=1.3),
        }  # fmt: skip

    def markup(self, text: str, font: str) -> str:
        """A plain text as reportlab's markup, escaped, with fonts changed where letters lack."""
        chain = (self.fonts[font], self.fonts["plain"], self.fonts["code"])
        parts = []
        for stretch, used in runs(text, chain):
            safe = escape(stretch).replace("\n", "<br/>")
            if used == self.fonts[font]:
                parts.append(safe)
            else:
                parts.append(f"<font name={quoteattr(used)}>{safe}</font>")
        return "".join(parts)

    def paragraph(self, text: str, style: str, **rest) -> TaggedParagraph:
        look = self._styles[style]
        font = next(use for use, known in self.fonts.items() if known == look.fontName)
        return TaggedParagraph(self.markup(text, font), look, **rest)

    def masthead(self, masthead: Masthead) -> list[Flowable]:
        title = self.paragraph(masthead.title, "title", path=(("H1", new_key()),))
        shown: list[Flowable] = [self.paragraph(masthead.kicker, "kicker"), Spacer(0, 1), title]
        every = tuple(self.fonts.values())
        if not covers(masthead.title, every):
            shown += [Spacer(0, 2), self.paragraph(masthead.missing_letters, "small")]
        cells = [
            [self.paragraph(label, "small"), self.paragraph(text, "cell")]
            for label, text in masthead.lines
        ]
        shares = [1.0] * (len(cells) - 1) + [2.2]
        widths = [self.width * share / sum(shares) for share in shares]
        style = [("VALIGN", (0, 0), (-1, -1), "TOP"), *_padding(left=0, right=8, above=0, below=0)]
        table = self._table([cells], widths, style)
        return [*shown, Spacer(0, 7), table, Spacer(0, 9)]

    def section(self, section: Section) -> list[Flowable]:
        shown: list[Flowable] = []
        if section.starts_page:
            shown.append(PageBreak())
        elif section.heading:
            shown += [CondPageBreak(_HEADING_NEEDS_MM * mm), Spacer(0, 14)]
        if section.heading:
            shown += [self._heading(section), Spacer(0, 5)]
        # No space after the last block: one that no longer fits would open an empty page.
        for i, block in enumerate(section.blocks):
            shown += [*([Spacer(0, 9)] if i else []), *self.block(block, self.width)]
        return shown

    def _heading(self, section: Section) -> Heading:
        title = self.paragraph(section.heading, "heading", path=(("H2", new_key()),))
        tag = None if section.tag is None else self.paragraph(section.tag, "tag")
        return Heading(
            title, bookmark=section.bookmark, tag=tag, colour=HexColor(self.colours.accent)
        )

    def _subhead(self, heading: str | None) -> list[Flowable]:
        if heading is None:
            return []
        return [self.paragraph(heading, "subhead", path=(("H3", new_key()),))]

    def _table(self, rows: list, widths: list[float], style: list, **rest) -> TaggedTable:
        font = ("FONTNAME", (0, 0), (-1, -1), self.fonts["plain"])
        return TaggedTable(rows, colWidths=widths, style=[font, *style], **rest)

    @singledispatchmethod
    def block(self, block: Block, width: float) -> list[Flowable]:
        """Flowables of one block, for a column of this width in points."""
        raise TypeError(f"no way to set a {type(block).__name__}")

    @block.register
    def _(self, block: Prose, width: float) -> list[Flowable]:
        return [*self._subhead(block.heading), self.paragraph(block.text, "prose")]

    @block.register
    def _(self, block: Note, width: float) -> list[Flowable]:
        style = [
            ("BACKGROUND", (0, 0), (-1, -1), HexColor(self.colours.tint)),
            ("LINEBEFORE", (0, 0), (0, -1), 2, HexColor(self.colours.accent)),
            *_padding(left=8, right=8, above=4, below=5),
        ]
        return [self._table([[self.paragraph(block.text, "prose")]], [width], style)]

    @block.register
    def _(self, block: Points, width: float) -> list[Flowable]:
        shown, whole = self._subhead(block.heading), ("L", new_key())
        size = 0.85 * self._styles["item"].fontSize
        mark = self._in_font(_MARKS[block.mark], "plain", size=f"{size:.1f}")
        for lead, text in block.items:
            bold = self._in_font(self.markup(lead, "prose_bold"), "prose_bold")
            said = f"{bold} {self.markup(text, 'prose')}" if lead else self.markup(text, "prose")
            path = (whole, ("LI", new_key()), ("LBody", new_key()))
            bullet = f"<bullet indent='1'>{mark}</bullet>"
            shown.append(TaggedParagraph(bullet + said, self._styles["item"], path=path))
        return shown

    def _in_font(self, marked_up: str, font: str, **rest: str) -> str:
        extra = "".join(f" {name}={quoteattr(value)}" for name, value in rest.items())
        return f"<font name={quoteattr(self.fonts[font])}{extra}>{marked_up}</font>"

    @block.register
    def _(self, block: Pair, width: float) -> list[Flowable]:
        gap = 16.0
        widths = [block.share * (width - gap), (1 - block.share) * (width - gap)]
        stacks = [
            [flowable for part in blocks for flowable in self.block(part, wide)]
            for blocks, wide in zip((block.left, block.right), widths, strict=True)
        ]
        style = [
            *_padding(left=0, right=0, above=0, below=0),
            ("RIGHTPADDING", (0, 0), (0, 0), gap),
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ]
        table = self._table([stacks], [widths[0] + gap, widths[1]], style)
        _, tall = table.wrap(width, self.height)
        if tall <= 0.9 * self.height:
            return [table]
        # Too tall to stand side by side on one page: one after the other.
        return [
            flowable
            for part in (*block.left, *block.right)
            for flowable in [*self.block(part, width), Spacer(0, 6)]
        ]

    @block.register
    def _(self, block: Grid, width: float) -> list[Flowable]:
        whole = ("Table", new_key())
        total = sum(column.share for column in block.columns)
        aligns = ["_right" if c.align == "right" else "" for c in block.columns]
        titles = [column.title for column in block.columns]
        rows = [self._row(titles, [f"head{a}" for a in aligns], whole, role="TH")]
        rows += [self._row(row, [f"cell{a}" for a in aligns], whole) for row in block.rows]
        table = self._ruled(rows, [width * c.share / total for c in block.columns])
        note = [] if block.note is None else [self.paragraph(block.note, "small"), Spacer(0, 2)]
        return [*self._subhead(block.heading), *note, table]

    def _row(self, texts, styles: list[str], whole, *, role: str = "TD") -> list[TaggedParagraph]:
        line = ("TR", new_key())
        return [
            self.paragraph(text, style, path=(whole, line, (role, new_key())))
            for text, style in zip(texts, styles, strict=True)
        ]

    def _ruled(self, rows: list, widths: list[float], extra: list = ()) -> TaggedTable:
        page = self.colours
        style = [
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
            ("LINEBELOW", (0, 0), (-1, 0), 1.1, HexColor(page.heading)),
            ("LINEBELOW", (0, 1), (-1, -2), 0.35, HexColor(page.rule)),
            ("LINEBELOW", (0, -1), (-1, -1), 0.7, HexColor(page.heading)),
            *_padding(left=2, right=5, above=2.4, below=2.6),
            *extra,
        ]
        return self._table(rows, widths, style, repeatRows=1, splitInRow=1)

    @block.register
    def _(self, block: MeasureTable, width: float) -> list[Flowable]:
        whole = ("Table", new_key())
        stripped = bool(block.titles[4])
        shares = [2.3, 1.1, 1.45, 1.4, 1.75] if stripped else [2.3, 1.1, 1.6, 2.4]
        n = len(shares)
        widths = [width * share / sum(shares) for share in shares]
        heads = ["head", "head_right", "head", "head", "head"][:n]
        rows = [self._row(block.titles[:n], heads, whole, role="TH")]
        extra = []
        for i, row in enumerate(block.rows, start=1):
            rows.append(self._measure_row(row, whole, columns=n, strip_width=widths[-1] - 8))
            if row.reason is not None:
                extra.append(("SPAN", (1, i), (n - 1, i)))
        extra += _padding(left=2, right=5, above=1.3, below=1.6)  # a stroke fits on one page
        # blank cells are as high as a line of text that nobody writes in them
        extra += [("FONTSIZE", (0, 1), (-1, -1), 1), ("LEADING", (0, 1), (-1, -1), 1)]
        return [self._ruled(rows, widths, extra)]

    def _measure_row(self, row: MeasureRow, whole, *, columns: int, strip_width: float) -> list:
        if row.reason is not None:
            cells = self._row((row.label, row.reason), ["cell", "missing"], whole)
            return cells + [""] * (columns - 2)
        texts = (row.label, row.value, row.unit, row.frame)
        cells = self._row(texts, ["cell", "cell_right", "cell", "cell"], whole)
        if columns == 5:
            strip = row.strip and StripMark(
                row.strip, width=strip_width, height=9, colours=self.templates.colours
            )
            cells.append(strip or "")
        return cells

    @block.register
    def _(self, block: Frames, width: float) -> list[Flowable]:
        picture = self.templates.page.picture
        cells = [
            (
                frame.path,
                frame.alternative,
                self.paragraph(frame.caption, "caption", path=(("Caption", new_key()),)),
                None if frame.reason is None else self.paragraph(frame.reason, "small"),
            )
            for frame in block.pictures
        ]
        row = FramesRow(
            cells, aspect=picture.aspect, gap=picture.gap_mm * mm, colours=self.templates.colours
        )
        if all(frame.path is None for frame in block.pictures):
            return [row]
        entries = [(line, self.paragraph(text, "small")) for line, text in block.legend]
        return [row, Spacer(0, 4), Legend(entries, colours=self.templates.colours), Spacer(0, 4)]

    @block.register
    def _(self, block: WritingLines, width: float) -> list[Flowable]:
        if not block.most:
            return []
        heading = self.paragraph(block.heading, "subhead")
        return [RuledLines(heading, most=block.most, colour=HexColor(self.colours.rule))]

    @block.register
    def _(self, block: Facts, width: float) -> list[Flowable]:
        whole = ("Table", new_key())
        rows = [self._row(row, ["small", "code"], whole) for row in block.rows]
        style = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, -1), 0.35, HexColor(self.colours.rule)),
            *_padding(left=2, right=4, above=1.6, below=2),
        ]
        widths = [0.36 * width, 0.64 * width]
        return [self._table(rows, widths, style, splitInRow=1)]


def _padding(*, left: float, right: float, above: float, below: float) -> list[tuple]:
    everywhere = ((0, 0), (-1, -1))
    return [
        ("LEFTPADDING", *everywhere, left),
        ("RIGHTPADDING", *everywhere, right),
        ("TOPPADDING", *everywhere, above),
        ("BOTTOMPADDING", *everywhere, below),
    ]
