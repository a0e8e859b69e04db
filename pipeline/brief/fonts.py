"""The fonts of the pages: where their files are, and which letters they have."""

import importlib.util
import logging
from functools import cache
from importlib import resources
from pathlib import Path

from paddlebrief.brief.template import Templates
from paddlebrief.errors import SettingsError

__all__ = ["covers", "font_file", "register", "runs"]

logger = logging.getLogger(__name__)

MISSING = "▯"
"""Stands for a letter that no font of the page has (U+25AF, in DejaVu)."""


def font_file(name: str, templates: Templates) -> Path:
    """Path of a font named in page.yaml.

    Looked for beside the coach's own templates, then among the package's, then matplotlib's.

    Raises
    ------
    SettingsError
        When no such font is there.
    """
    folders = [] if templates.folder is None else [templates.folder / "fonts"]
    folders.append(Path(str(resources.files("paddlebrief.report_templates"))) / "fonts")
    # Found without importing matplotlib, which takes a second.
    home = importlib.util.find_spec("matplotlib").submodule_search_locations[0]
    folders.append(Path(home) / "mpl-data" / "fonts" / "ttf")
    for folder in folders:
        if (folder / name).is_file():
            return folder / name
    raise SettingsError(
        f"page.yaml names the font {name}, which is not there",
        file=templates.folder,
        expected="a file of this name in " + " or ".join(str(folder) for folder in folders),
        todo="put the font there, or name another",
    )


def register(templates: Templates) -> dict[str, str]:
    """Make the fonts of page.yaml known to reportlab.

    Returns
    -------
    dict
        Registered name by the name used in page.yaml (``"prose"``, ``"plain_bold"``, …).
    """
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    registered = {}
    for use, name in dict(templates.page.fonts).items():
        path = font_file(name, templates)
        known = f"paddlebrief {path}"
        if known not in pdfmetrics.getRegisteredFontNames():
            try:
                pdfmetrics.registerFont(TTFont(known, str(path)))
            except TTFError as fault:
                raise SettingsError(
                    "this font cannot be used",
                    file=path,
                    expected="a TrueType font",
                    found=str(fault),
                    todo="name another font in page.yaml",
                ) from None
        registered[use] = known
    return registered


@cache
def _letters(font: str) -> frozenset[int]:
    from reportlab.pdfbase import pdfmetrics

    return frozenset(pdfmetrics.getFont(font).face.charToGlyph)


def covers(text: str, fonts: tuple[str, ...]) -> bool:
    """True when each visible letter of the text is in one of the registered fonts."""
    return all(
        char.isspace() or any(ord(char) in _letters(font) for font in fonts) for char in text
    )


def runs(text: str, fonts: tuple[str, ...]) -> list[tuple[str, str]]:
    """Cut a text into stretches of one registered font each.

    Returns
    -------
    list of (text, font)
        The first font wherever it has the letter, else the next; a letter that none has becomes
        "▯" and is logged.
    """
    cut: list[tuple[str, str]] = []
    for char in text:
        font = fonts[0]
        if not char.isspace():
            font = next((f for f in fonts if ord(char) in _letters(f)), None)
            if font is None:
                logger.info("no font of the page has U+%04X of “%s”", ord(char), text)
                char, font = MISSING, fonts[-1]
        if cut and cut[-1][1] == font:
            cut[-1] = (cut[-1][0] + char, font)
        else:
            cut.append((char, font))
    return cut
