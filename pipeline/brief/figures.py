"""Drawing of the body lines on a frame: choosing the crop, and annotating it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from paddlebrief.brief.fonts import font_file
from paddlebrief.brief.look import Colours, PictureSpec
from paddlebrief.brief.pen import Pen, bgr
from paddlebrief.brief.template import Templates
from paddlebrief.records import LANDMARKS, Handedness

__all__ = ["CropBox", "OverlayStyle", "annotate", "crop_box", "write_picture"]

_PADDLE_IN_FOREARMS = 1.5
"""How far a paddle may reach beyond the wrist. It is at most 17 in long (USA Pickleball rule 2.E)
and held near its end; a forearm is some 10 in (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class OverlayStyle:
    """How frames are cut and drawn on; made from the report templates."""

    colours: Colours
    picture: PictureSpec
    label_font: Path

    @classmethod
    def of(cls, templates: Templates) -> "OverlayStyle":
        return cls(
            colours=templates.colours,
            picture=templates.page.picture,
            label_font=font_file(templates.page.fonts.plain_bold, templates),
        )

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height of an annotated picture at its printed size."""
        width = round(self.picture.printed_width_mm / 25.4 * self.picture.dots_per_inch)
        return width, round(width / self.picture.aspect)

    @property
    def px_per_pt(self) -> float:
        return self.picture.dots_per_inch / 72


@dataclass(frozen=True, kw_only=True)
class CropBox:
    """Part of a picture, pixels; it may reach beyond the picture where that is too small."""

    left_px: float
    top_px: float
    width_px: float
    height_px: float


def crop_box(
    landmarks_px: np.ndarray,
    *,
    hand: Handedness,
    picture_size_px: tuple[int, int],
    style: OverlayStyle,
    wrist_path_px: np.ndarray | None = None,
) -> CropBox:
    """Choose the part of the picture that holds a player, in the shape of the printed frame.

    Parameters
    ----------
    landmarks_px
        (33, 2) or (k, 33, 2); give all three instants of a stroke for one crop that fits them
        all. NaN landmarks are left out.
    hand
        Hitting hand; room for a paddle is left beyond its wrist.
    picture_size_px
        Width and height.
    wrist_path_px
        (n, 2) path to be held by the box as well.

    Returns
    -------
    CropBox
        Inside the picture wherever it fits; around the whole picture when no landmark is finite.
    """
    bodies = np.asarray(landmarks_px, dtype=float).reshape(-1, len(LANDMARKS), 2)
    points = [bodies.reshape(-1, 2), *(_paddle_ends(bodies, name) for name in _hands(hand))]
    if wrist_path_px is not None:
        points.append(np.asarray(wrist_path_px, dtype=float).reshape(-1, 2))
    seen = np.concatenate(points)
    seen = seen[np.isfinite(seen).all(axis=1)]
    size = np.array(picture_size_px, dtype=float)
    low, high = (seen.min(axis=0), seen.max(axis=0)) if len(seen) else (np.zeros(2), size)
    low, high = np.clip(low, 0, size), np.clip(high, 0, size)
    bare = _in_shape(high - low, style)
    margin = style.picture.margin_share * max(high[1] - low[1], 1.0)
    low, high = np.maximum(low - margin, 0), np.minimum(high + margin, size)
    box = _in_shape(high - low, style)
    # The margin gives way before empty bars appear beside the picture.
    box = box * max(min(1.0, *(size / box)), bare[0] / box[0])
    corner = (low + high - box) / 2
    fits = box <= size + 1e-6
    corner = np.where(fits, np.clip(corner, 0, np.maximum(size - box, 0)), (size - box) / 2)
    return CropBox(
        left_px=float(corner[0]),
        top_px=float(corner[1]),
        width_px=float(box[0]),
        height_px=float(box[1]),
    )


def _in_shape(extent: np.ndarray, style: OverlayStyle) -> np.ndarray:
    """Smallest width and height in the printed frame's shape that hold an extent."""
    width = max(extent[0], extent[1] * style.picture.aspect, 1.0)
    return np.array([width, width / style.picture.aspect])


def _hands(hand: Handedness) -> tuple[str, ...]:
    return ("left", "right") if hand is Handedness.UNKNOWN else (hand.value,)


def _paddle_ends(bodies: np.ndarray, hand: str) -> np.ndarray:
    elbow = bodies[:, LANDMARKS.index(f"{hand}_elbow")]
    wrist = bodies[:, LANDMARKS.index(f"{hand}_wrist")]
    return wrist + _PADDLE_IN_FOREARMS * (wrist - elbow)


def annotate(
    picture_bgr: np.ndarray,
    *,
    landmarks_px: np.ndarray,
    wrist_path_px: np.ndarray,
    hand: Handedness,
    style: OverlayStyle,
    box: CropBox | None = None,
    labels: Mapping[str, str] | None = None,
    paddle_px: np.ndarray | None = None,
) -> np.ndarray:
    """Cut the player out of a frame and draw hip line, shoulder line, wrist path and paddle.

    Parameters
    ----------
    picture_bgr
        (h, w, 3) uint8 upright frame; left as it is.
    landmarks_px
        (33, 2) landmarks at this instant. A line with a NaN end is left out.
    wrist_path_px
        (k, 2) path of the hitting wrist up to this instant; NaN points interrupt it.
    box
        Part to show; chosen by ``crop_box`` from this instant alone when None.
    labels
        Short text by line (``"hip"``, ``"shoulder"``, ``"wrist"``, ``"paddle"``), set beside
        lines that are drawn.
    paddle_px
        (k, 2) outline of the paddle at this instant, drawn closed in the wrist path's colour;
        None where it was not seen.

    Returns
    -------
    numpy.ndarray
        (h, w, 3) uint8 of ``style.size_px``.
    """
    height, width = picture_bgr.shape[:2]
    box = box or crop_box(
        landmarks_px,
        hand=hand,
        picture_size_px=(width, height),
        style=style,
        wrist_path_px=wrist_path_px,
    )
    scale = style.size_px[0] / box.width_px
    picture = _cut(picture_bgr, box, style=style)

    def placed(points: np.ndarray) -> np.ndarray:
        corner = np.array([box.left_px, box.top_px])
        return (np.asarray(points, dtype=float).reshape(-1, 2) - corner) * scale

    body, path = placed(landmarks_px), placed(wrist_path_px)
    lines = {
        "hip": _joint_line(body, "hip"),
        "shoulder": _joint_line(body, "shoulder"),
        "wrist": path,
        "paddle": np.empty((0, 2)) if paddle_px is None else _closed(placed(paddle_px)),
    }
    styles = dict(style.colours.lines)
    styles["paddle"] = styles["wrist"].model_copy(update={"dash": "solid"})
    pen = Pen(picture, colours=style.colours, px_per_pt=style.px_per_pt)
    for name in reversed(lines):
        pen.line(lines[name], styles[name])
    for name in ("hip", "shoulder", "wrist"):
        pen.markers(lines[name], styles[name], both_ends=name != "wrist")
    drawn = {name: line[np.isfinite(line).all(axis=1)] for name, line in lines.items()}
    texts = {name: text for name, text in (labels or {}).items() if len(drawn[name])}
    return _label(picture, drawn, texts, style=style)


def _closed(outline: np.ndarray) -> np.ndarray:
    return np.vstack([outline, outline[:1]])


def _joint_line(body: np.ndarray, joint: str) -> np.ndarray:
    """(2, 2) line between left and right joint, or (0, 2) when either is missing."""
    ends = body[[LANDMARKS.index(f"left_{joint}"), LANDMARKS.index(f"right_{joint}")]]
    return ends if np.isfinite(ends).all() else np.empty((0, 2))


def _cut(picture_bgr: np.ndarray, box: CropBox, *, style: OverlayStyle) -> np.ndarray:
    scale = style.size_px[0] / box.width_px
    # Pixel centres lie at half integers of the box and at integers in OpenCV.
    shift = [(0.5 - box.left_px) * scale - 0.5, (0.5 - box.top_px) * scale - 0.5]
    matrix = np.array([[scale, 0, shift[0]], [0, scale, shift[1]]])
    if scale < 0.5:
        # Averaging first keeps fine texture from turning into moiré.
        picture_bgr = cv2.GaussianBlur(picture_bgr, (0, 0), 0.4 / scale)
    return cv2.warpAffine(
        picture_bgr,
        matrix,
        style.size_px,
        flags=cv2.INTER_CUBIC if scale > 1 else cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=bgr(style.colours.page.tint),
    )


def _label(
    picture: np.ndarray,
    lines: Mapping[str, np.ndarray],
    texts: Mapping[str, str],
    *,
    style: OverlayStyle,
) -> np.ndarray:
    """Set each text beside its line, where it covers the fewest drawn points."""
    if not texts:
        return picture
    image = Image.fromarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB))
    pen = ImageDraw.Draw(image)
    font = ImageFont.truetype(str(style.label_font), style.picture.label_pt * style.px_per_pt)
    pad = 0.3 * style.picture.label_pt * style.px_per_pt
    crowd = np.concatenate([_filled(line) for line in lines.values()])
    for name, text in texts.items():
        left, top, right, bottom = pen.textbbox((0, 0), text, font=font)
        size = np.array([right - left, bottom - top]) + 2 * pad
        corner = _place(lines[name], size, crowd=crowd, picture_px=image.size, gap=3 * pad)
        chip = [*corner, *(corner + size)]
        colours = style.colours
        pen.rounded_rectangle(
            chip, radius=pad, fill=colours.halo, outline=colours.page.ink, width=round(pad / 5)
        )
        pen.text(tuple(corner + pad - (left, top)), text, font=font, fill=colours.page.ink)
        spread = np.linspace(0, 1, 5)
        covered = np.stack(np.meshgrid(spread, spread), axis=-1).reshape(-1, 2)
        crowd = np.concatenate([crowd, corner + size * covered])
    return cv2.cvtColor(np.asarray(image), cv2.COLOR_RGB2BGR)


def _filled(line: np.ndarray) -> np.ndarray:
    """The line's points and eight more on the way between each two."""
    if len(line) < 2:
        return line
    at = np.linspace(0, len(line) - 1, 8 * (len(line) - 1) + 1)
    return np.column_stack([np.interp(at, np.arange(len(line)), line[:, i]) for i in (0, 1)])


def _place(
    line: np.ndarray,
    size: np.ndarray,
    *,
    crowd: np.ndarray,
    picture_px: tuple[int, int],
    gap: float,
) -> np.ndarray:
    """Upper left corner of a label: outside either end of the line, or above or below it."""
    right, left = line[np.argmax(line[:, 0])], line[np.argmin(line[:, 0])]
    middle = (right + left) / 2
    width, height = size
    offsets = [
        (gap, -height / 2),
        (-gap - width, -height / 2),
        (-width / 2, gap),
        (-width / 2, -gap - height),
    ]
    room = np.maximum(np.array(picture_px) - size, 0)
    candidates = np.clip(np.stack([right, left, middle, middle]) + np.array(offsets), 0, room)

    def covered(corner: np.ndarray) -> int:
        near = (crowd > corner - gap / 2) & (crowd < corner + size + gap / 2)
        return int(near.all(axis=1).sum())

    return min(candidates, key=covered)


def write_picture(picture_bgr: np.ndarray, path: Path) -> Path:
    """Write an annotated picture as JPEG or PNG, by the suffix of ``path``.

    It is written beside its place and then renamed, so that no half picture is ever found there.

    Raises
    ------
    ValueError
        For any other suffix.
    """
    if path.suffix.lower() not in (".jpg", ".jpeg", ".png"):
        raise ValueError(f"{path}: expected a .jpg or .png file")
    options = [] if path.suffix.lower() == ".png" else [cv2.IMWRITE_JPEG_QUALITY, 90]
    _, coded = cv2.imencode(path.suffix, picture_bgr, options)
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{path.name}.part")
    beside.write_bytes(coded.tobytes())
    beside.replace(path)
    return path
