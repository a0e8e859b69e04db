"""Laying a document out as a PDF: page furniture, two passes, tags and properties."""

import logging
import math
from collections.abc import Callable
from functools import partial
from io import BytesIO
from pathlib import Path
from typing import Literal

import pikepdf
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

from paddlebrief.brief.document import Brief, Document, Status
from paddlebrief.brief.setting import Setter
from paddlebrief.brief.tagging import Mark, TaggedCanvas, add_structure
from paddlebrief.brief.template import Templates, load_templates

__all__ = ["PageSize", "write_brief", "write_status"]

logger = logging.getLogger(__name__)

PageSize = Literal["A4", "Letter"]
_SIZES = {"A4": A4, "Letter": LETTER}

_COURT_FT = (0.0, 15.0, 22.0, 29.0, 44.0)
"""Baseline, non-volley line, net, non-volley line, baseline: the court is 44 ft long with a 7 ft
non-volley zone on each side of the net (USA Pickleball Official Rulebook, 2.A)."""


def write_brief(
    brief: Brief,
    path: Path,
    *,
    page_size: PageSize = "A4",
    templates: Templates | None = None,
) -> Path:
    """Lay a brief out as a PDF.

    The same brief gives the same bytes. The file is written beside its place and then renamed.

    Parameters
    ----------
    templates
        Colours, fonts and page measurements; the package's own when None.

    Returns
    -------
    pathlib.Path
        ``path``.

    Raises
    ------
    OSError
        When a picture cannot be read or the file cannot be written.
    """
    return _write(brief, path, page_size=page_size, templates=templates or load_templates())


def write_status(
    status: Status,
    path: Path,
    *,
    page_size: PageSize = "A4",
    templates: Templates | None = None,
) -> Path:
    """Lay a status page out as a PDF; see ``write_brief``."""
    return _write(status, path, page_size=page_size, templates=templates or load_templates())


def _write(document: Document, path: Path, *, page_size: PageSize, templates: Templates) -> Path:
    _, _, pages = _render(document, page_size=page_size, templates=templates, pages=1)
    drawn, marks, _ = _render(document, page_size=page_size, templates=templates, pages=pages)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.part")
    with pikepdf.open(drawn) as pdf:
        add_structure(pdf, marks)
        _describe(pdf, document)
        pdf.save(beside, deterministic_id=True)
    beside.replace(path)
    logger.info("%s: %d pages", path, pages)
    return path


def _render(
    document: Document, *, page_size: PageSize, templates: Templates, pages: int
) -> tuple[BytesIO, list[Mark], int]:
    """Draw all pages, telling each how many there are; gives the file, its marks and the count."""
    size, margins = _SIZES[page_size], templates.page.margins_mm
    width = size[0] - (margins.left + margins.right) * mm
    height = size[1] - (margins.top + margins.bottom) * mm
    setter = Setter(templates, width=width, height=height)
    story = setter.masthead(document.masthead)
    for section in document.sections:
        story += setter.section(section)
    out, marks = BytesIO(), []
    frame = Frame(
        margins.left * mm,
        margins.bottom * mm,
        width,
        height,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    furnish = partial(_furnish, document=document, setter=setter, size=size, pages=pages)
    doc = BaseDocTemplate(
        out,
        pagesize=size,
        pageTemplates=[PageTemplate(frames=[frame], onPage=_on_page(furnish))],
        title=document.title,
        author=document.author,
        subject=document.subject,
        lang=document.language,
        displayDocTitle=True,
        invariant=1,
        # The default, Helvetica, would be named in the file without being embedded.
        initialFontName=setter.fonts["plain"],
    )
    doc.build(
        story,
        canvasmaker=partial(TaggedCanvas, marks=marks),
    )
    return out, marks, doc.page


def _on_page(furnish: Callable) -> Callable:
    def draw(canvas: TaggedCanvas, _doc: BaseDocTemplate) -> None:
        with canvas.artifact():
            furnish(canvas)

    return draw


def _furnish(
    canvas: TaggedCanvas,
    *,
    document: Document,
    setter: Setter,
    size: tuple[float, float],
    pages: int,
) -> None:
    """Head and foot of a page: a court seen from above, a ball along it as far as the page is."""
    margins, page = setter.templates.page.margins_mm, canvas.getPageNumber()
    left, right = margins.left * mm, size[0] - margins.right * mm
    canvas.saveState()
    _court_rule(canvas, setter, left=left, right=right, y=size[1] - 0.55 * margins.top * mm)
    share = (page - 0.5) / max(pages, page)
    _ball(canvas, setter, x=left + share * (right - left), y=size[1] - 0.55 * margins.top * mm)
    text = document.footer.text(page=page, pages=pages)
    _footer(canvas, setter, text, left=left, right=right, y=0.5 * margins.bottom * mm)
    canvas.restoreState()


def _court_rule(
    canvas: TaggedCanvas, setter: Setter, *, left: float, right: float, y: float
) -> None:
    canvas.setStrokeColor(HexColor(setter.colours.heading))
    canvas.setLineWidth(0.9)
    canvas.line(left, y, right, y)
    for foot in _COURT_FT:
        x = left + foot / _COURT_FT[-1] * (right - left)
        half = 6.5 if foot == 22.0 else 3.2
        canvas.line(x, y - half, x, y + half)


def _ball(canvas: TaggedCanvas, setter: Setter, *, x: float, y: float) -> None:
    canvas.setFillColor(HexColor(setter.colours.ball))
    canvas.setLineWidth(0.9)
    canvas.circle(x, y, 4.2, fill=1)
    canvas.setFillColor(HexColor(setter.colours.heading))
    for i in range(6):
        dx, dy = 2.1 * math.cos(math.pi * i / 3), 2.1 * math.sin(math.pi * i / 3)
        canvas.circle(x + dx, y + dy, 0.45, stroke=0, fill=1)


def _footer(
    canvas: TaggedCanvas, setter: Setter, text: str, *, left: float, right: float, y: float
) -> None:
    line = setter.paragraph(text, "small")
    _, tall = line.wrap(right - left, 100)
    while tall > line.style.leading:  # an endless name: its end and the page number stay
        text = "…" + text[1 + max(1, len(text) // 10) :]
        line = setter.paragraph(text, "small")
        _, tall = line.wrap(right - left, 100)
    wide = max(line.getActualLineWidths0())
    # Straight to the paragraph's own drawing: the whole foot is one artifact already.
    line.draw_untagged(canvas, max(left, right - wide), y - tall + line.style.leading)


def _describe(pdf: pikepdf.Pdf, document: Document) -> None:
    """Properties in both forms, the document's own date in place of today's."""
    pdf.Root.Lang = pikepdf.String(document.language)
    pdf.docinfo["/CreationDate"] = pdf.docinfo["/ModDate"] = _pdf_date(document)
    pdf.docinfo["/Creator"] = pikepdf.String(document.author)
    with pdf.open_metadata(set_pikepdf_as_editor=False, update_docinfo=False) as properties:
        properties["dc:title"] = document.title
        properties["dc:creator"] = [document.author]
        properties["dc:description"] = document.subject
        properties["dc:language"] = {document.language}
        properties["xmp:CreateDate"] = document.made.isoformat(timespec="seconds")


def _pdf_date(document: Document) -> pikepdf.String:
    made = document.made
    zone = f"{made:%z}"
    offset = f"{zone[:3]}'{zone[3:5]}" if zone else ""
    return pikepdf.String(f"D:{made:%Y%m%d%H%M%S}{offset}")
