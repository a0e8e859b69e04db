"""What colours.yaml and page.yaml may say."""

from itertools import combinations
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from paddlebrief.brief.contrast import worst_contrast

__all__ = [
    "CIRCLE_RADIUS",
    "DASH",
    "MARKER_CORNERS",
    "Colours",
    "Fonts",
    "LineStyle",
    "Margins",
    "PageSpec",
    "PictureSpec",
    "TextSpec",
]

DASH: dict[str, tuple[float, float]] = {"dashed": (3.2, 2.4), "dotted": (0.0, 2.4)}
"""Length of dash and of gap in line widths, from the middle of one round cap to the next."""

MARKER_CORNERS: dict[str, tuple[tuple[float, float], ...]] = {
    "square": ((0.95, 0.95), (0.95, -0.95), (-0.95, -0.95), (-0.95, 0.95)),
    "arrow": ((2.0, 0.0), (-1.2, 1.5), (-1.2, -1.5)),
}
"""Corners of an end marker in line widths; the line arrives along +x."""

CIRCLE_RADIUS = 1.15
"""Radius of a round end marker in line widths."""

Colour = Annotated[str, Field(pattern=r"^#[0-9A-Fa-f]{6}$", description="#rrggbb, sRGB")]
Points = Annotated[float, Field(gt=0, le=60, description="printer's points, 1/72 inch")]
Millimetres = Annotated[float, Field(ge=0, le=300, description="millimetres")]


class _Spec(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class LineStyle(_Spec):
    """How one body line is drawn, on pictures and in legends."""

    colour: Colour
    dash: Literal["solid", "dashed", "dotted"]
    width_pt: Points
    marker: Literal["square", "circle", "arrow"]


class BodyLines(_Spec):
    hip: LineStyle
    shoulder: LineStyle
    wrist: LineStyle


class PageColours(_Spec):
    ink: Colour
    heading: Colour
    accent: Colour
    muted: Colour
    rule: Colour
    tint: Colour
    ball: Colour


class Colours(_Spec):
    """colours.yaml; refused when two body lines could be taken for each other."""

    least_contrast: float = Field(ge=1, le=21, description="WCAG 2.2 contrast ratio")
    lines: BodyLines
    halo: Colour
    halo_pt: Points
    keyline: Colour
    keyline_pt: Points
    page: PageColours

    @model_validator(mode="after")
    def _lines_stay_apart(self) -> "Colours":
        styles = dict(self.lines)
        for a, b in combinations(styles, 2):
            for trait in ("dash", "marker", "width_pt"):
                if getattr(styles[a], trait) == getattr(styles[b], trait):
                    raise ValueError(f"lines {a} and {b} share the same {trait}")
        ratio, where = worst_contrast({name: style.colour for name, style in styles.items()})
        if ratio < self.least_contrast:
            raise ValueError(f"contrast of {where} is {ratio:.2f}, below {self.least_contrast}")
        return self


class Margins(_Spec):
    left: Millimetres
    right: Millimetres
    top: Millimetres
    bottom: Millimetres


class PictureSpec(_Spec):
    """How annotated frames are cut and printed."""

    aspect: float = Field(ge=0.4, le=2, description="width over height")
    gap_mm: Millimetres
    printed_width_mm: float = Field(ge=20, le=200, description="millimetres")
    dots_per_inch: int = Field(ge=150, le=600)
    margin_share: float = Field(ge=0, le=1, description="share of the player's height")
    label_pt: Points


class TextSpec(_Spec):
    body_pt: Points
    leading: float = Field(ge=1, le=2, description="line distance over letter height")
    small_pt: Points
    table_pt: Points
    heading_pt: Points
    title_pt: Points


class Fonts(_Spec):
    prose: str
    prose_bold: str
    prose_italic: str
    plain: str
    plain_bold: str
    plain_italic: str
    code: str


class PageSpec(_Spec):
    """page.yaml."""

    margins_mm: Margins
    picture: PictureSpec
    text: TextSpec
    fonts: Fonts
