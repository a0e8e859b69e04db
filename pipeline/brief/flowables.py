"""Reportlab flowables that draw tagged text, tables, headings, frames and strips."""

from io import BytesIO
from itertools import count
from pathlib import Path

from reportlab.lib.colors import Color, HexColor
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable, Paragraph, Table

from paddlebrief.brief.document import Strip
from paddlebrief.brief.look import CIRCLE_RADIUS, DASH, MARKER_CORNERS, Colours, LineStyle
from paddlebrief.brief.tagging import Path as TagPath

__all__ = [
    "FramesRow",
    "Heading",
    "Legend",
    "RuledLines",
    "StripMark",
    "TaggedParagraph",
    "TaggedTable",
    "new_key",
]

_keys = count()


def new_key() -> int:
    """A key that no other structure element has."""
    return next(_keys)


class TaggedParagraph(Paragraph):
    """A paragraph that is drawn as one structure element.

    Drawn a second time (a table's repeated head), it is an artifact.
    """

    def __init__(self, text: str | None, style, *args, path: TagPath = (), **kwargs) -> None:
        super().__init__(text, style, *args, **kwargs)
        self.path = path or (("P", new_key()),)
        self._drawn = False

    def split(self, width, height):
        parts = super().split(width, height)
        for part in parts:
            part.path = self.path
        return parts

    def draw_untagged(self, canvas, x: float, y: float) -> None:
        """Draw inside a mark that is open already."""
        canvas.saveState()
        canvas.translate(x, y)
        self.canv = canvas
        super().draw()
        canvas.restoreState()

    def draw(self) -> None:
        marked = self.canv.artifact() if self._drawn else self.canv.element(self.path)
        self._drawn = True
        with marked:
            super().draw()


class TaggedTable(Table):
    """A table whose rules and backgrounds are artifacts; its cells tag themselves."""

    def _drawBkgrnd(self) -> None:
        with self.canv.artifact():
            super()._drawBkgrnd()

    def _drawLines(self) -> None:
        with self.canv.artifact():
            super()._drawLines()


class Heading(Flowable):
    """A section's heading with its bookmark, and a small framed word at the right end."""

    keepWithNext = 1

    def __init__(
        self, title: Paragraph, *, bookmark: str, tag: Paragraph | None, colour: Color
    ) -> None:
        super().__init__()
        self._title, self._bookmark, self._tag, self._colour = title, bookmark, tag, colour

    def wrap(self, width, height):
        self._tag_width = 0.0
        if self._tag is not None:
            self._tag.wrap(width, height)
            self._tag_width = max(self._tag.getActualLineWidths0()) + 11
        _, self.height = self._title.wrap(width - self._tag_width - 8, height)
        self.width = width
        return width, self.height

    def draw(self) -> None:
        key = f"section-{self.canv.getPageNumber()}-{new_key()}"
        self.canv.bookmarkHorizontalAbsolute(key, self._top())
        self.canv.addOutlineEntry(self._bookmark, key, level=0)
        self._title.drawOn(self.canv, 0, 0)
        if self._tag is None:
            return
        _, tall = self._tag.wrap(self._tag_width, self.height)
        left, bottom = self.width - self._tag_width, (self.height - tall) / 2 - 1
        with self.canv.artifact():
            self.canv.setStrokeColor(self._colour)
            self.canv.setLineWidth(0.9)
            self.canv.roundRect(left, bottom - 2, self._tag_width, tall + 4, 3)
        self._tag.drawOn(self.canv, left + 5, bottom)

    def _top(self) -> float:
        return self.canv.absolutePosition(0, self.height + 12)[1]


class StripMark(Flowable):
    """One value and its interval among others, on a line that spans them all."""

    def __init__(self, strip: Strip, *, width: float, height: float, colours: Colours) -> None:
        super().__init__()
        self._strip, self._colours = strip, colours
        self.width, self.height = width, height

    def wrap(self, width, height):
        return self.width, self.height

    def draw(self) -> None:
        canvas, strip, page = self.canv, self._strip, self._colours.page
        middle = self.height / 2
        with canvas.artifact():
            canvas.setLineWidth(0.4)
            canvas.setStrokeColor(HexColor(page.rule))
            canvas.line(0, middle, self.width, middle)
            canvas.setStrokeColor(HexColor(page.muted))
            canvas.setLineWidth(0.6)
            for share in strip.others:
                x = share * self.width
                canvas.line(x, middle - 2.6, x, middle + 2.6)
            canvas.setStrokeColor(HexColor(page.heading))
            canvas.setLineWidth(1.5)
            canvas.line(strip.low * self.width, middle, strip.high * self.width, middle)
            canvas.setFillColor(HexColor(page.ball))
            canvas.setLineWidth(0.8)
            canvas.circle(strip.value * self.width, middle, 2.5, fill=1)


class RuledLines(Flowable):
    """Lines to write on under a small heading; nothing at all where there is room for few."""

    _STEP, _FEWEST = 22.0, 3

    def __init__(self, heading: Paragraph, *, most: int, colour: Color) -> None:
        super().__init__()
        self._heading, self._most, self._colour = heading, most, colour

    def wrap(self, width, height):
        _, self._head = self._heading.wrap(width, height)
        room = int((height - self._head - 2) // self._STEP)
        self._lines = min(self._most, room) if room >= self._FEWEST else 0
        self.width = width
        self.height = self._head + self._lines * self._STEP if self._lines else 0
        return width, self.height

    def draw(self) -> None:
        if not self._lines:
            return
        self._heading.drawOn(self.canv, 0, self.height - self._head)
        with self.canv.artifact():
            self.canv.setStrokeColor(self._colour)
            self.canv.setLineWidth(0.5)
            for i in range(self._lines):
                self.canv.line(0, i * self._STEP + 1, self.width, i * self._STEP + 1)


class FramesRow(Flowable):
    """Frames side by side with their captions; a missing one leaves a box with the reason."""

    def __init__(
        self,
        cells: list[tuple[Path | None, str, Paragraph, Paragraph | None]],
        *,
        aspect: float,
        gap: float,
        colours: Colours,
    ) -> None:
        super().__init__()
        self._cells, self._aspect, self._gap, self._colours = cells, aspect, gap, colours

    def wrap(self, width, height):
        n = len(self._cells)
        self.width = width
        self._cell = (width - (n - 1) * self._gap) / n
        self._tall = self._cell / self._aspect
        captions = [caption.wrap(self._cell, height)[1] for _, _, caption, _ in self._cells]
        self.height = self._tall + 3 + max(captions)
        return width, self.height

    def draw(self) -> None:
        for i, (path, alternative, caption, reason) in enumerate(self._cells):
            left, bottom = i * (self._cell + self._gap), self.height - self._tall
            if path is not None:
                self._picture(path, alternative, left, bottom)
            else:
                self._empty(reason, left, bottom)
            caption.drawOn(self.canv, left, bottom - 3 - caption.height)

    def _picture(self, path: Path, alternative: str, left: float, bottom: float) -> None:
        with self.canv.element((("Figure", new_key()),), alternative=alternative):
            self.canv.drawImage(
                ImageReader(BytesIO(path.read_bytes())),
                left,
                bottom,
                width=self._cell,
                height=self._tall,
                preserveAspectRatio=True,
                anchor="n",
            )

    def _empty(self, reason: Paragraph, left: float, bottom: float) -> None:
        page = self._colours.page
        with self.canv.artifact():
            self.canv.setFillColor(HexColor(page.tint))
            self.canv.setStrokeColor(HexColor(page.rule))
            self.canv.setLineWidth(0.6)
            self.canv.setDash(3, 2)
            self.canv.rect(left, bottom, self._cell, self._tall, fill=1)
            self.canv.setDash()
        _, tall = reason.wrap(self._cell - 16, self._tall)
        reason.drawOn(self.canv, left + 8, bottom + (self._tall - tall) / 2)


class Legend(Flowable):
    """What the lines on the pictures mean, in one row of (line name, text)."""

    _SAMPLE, _GAP = 30.0, 8.0

    def __init__(self, entries: list[tuple[str, Paragraph]], *, colours: Colours) -> None:
        super().__init__()
        self._entries, self._colours = entries, colours

    def wrap(self, width, height):
        room = width - len(self._entries) * (self._SAMPLE + self._GAP)
        natural = []
        for _, text in self._entries:
            text.wrap(width, height)
            natural.append(text.getActualLineWidths0()[0] + 1)
        spare = max(0.0, room - sum(natural)) / len(natural)
        longest = natural.index(max(natural))
        rest = sum(natural) - natural[longest]
        if rest < room / 2:  # short texts keep their line, the longest takes what is left
            natural[longest] = min(natural[longest], room - rest)
        shrink = min(1.0, room / sum(natural))
        self._widths = [wide * shrink for wide in natural]
        self._spare = min(spare, 24.0)
        self.width = width
        self.height = max(
            text.wrap(wide, height)[1]
            for (_, text), wide in zip(self._entries, self._widths, strict=True)
        )
        return width, self.height

    def draw(self) -> None:
        x = 0.0
        for (name, text), wide in zip(self._entries, self._widths, strict=True):
            with self.canv.artifact():
                _draw_line_sample(
                    self.canv,
                    x=x + 4,
                    y=self.height - text.style.leading / 2,
                    length=self._SAMPLE - 8,
                    style=getattr(self._colours.lines, name),
                    colours=self._colours,
                    both=name != "wrist",
                )
            text.drawOn(self.canv, x + self._SAMPLE + 2, self.height - text.height)
            x += self._SAMPLE + wide + self._GAP + self._spare


def _draw_line_sample(
    canvas, *, x: float, y: float, length: float, style: LineStyle, colours: Colours, both: bool
) -> None:
    """Draw a short stretch of a body line as on the pictures, from (x, y) to the right."""
    key, core = HexColor(colours.keyline), HexColor(style.colour)
    width, edge = style.width_pt, colours.keyline_pt
    canvas.saveState()
    canvas.setLineCap(1)
    on, off = DASH.get(style.dash, (0.0, 0.0))
    if on or off:
        canvas.setDash([on * width, off * width])
    for colour, wide in ((key, width + 2 * edge), (core, width)):
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(wide)
        canvas.line(x, y, x + length, y)
    canvas.setDash()
    canvas.setFillColor(core)
    canvas.setStrokeColor(key)
    canvas.setLineWidth(2 * edge)
    for end in (x, x + length) if both else (x + length,):
        _draw_marker(canvas, x=end, y=y, style=style)
    canvas.restoreState()


def _draw_marker(canvas, *, x: float, y: float, style: LineStyle) -> None:
    if style.marker == "circle":
        canvas.circle(x, y, CIRCLE_RADIUS * style.width_pt, fill=1)
        return
    shape = canvas.beginPath()
    for i, (dx, dy) in enumerate(MARKER_CORNERS[style.marker]):
        step = shape.lineTo if i else shape.moveTo
        step(x + dx * style.width_pt, y + dy * style.width_pt)
    shape.close()
    canvas.drawPath(shape, fill=1)
