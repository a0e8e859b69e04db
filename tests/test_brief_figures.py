"""Overlays on a real photograph: what is drawn, where, and what is left out."""

import cv2
import numpy as np
import pytest
from skimage.data import astronaut

from paddlebrief.brief.figures import OverlayStyle, annotate, crop_box, write_picture
from paddlebrief.brief.pen import bgr, dashes, finite_runs
from paddlebrief.brief.template import load_templates
from paddlebrief.records import LANDMARKS, Handedness
from tests.brief_samples import body

STYLE = OverlayStyle.of(load_templates())
PHOTO = astronaut()[..., ::-1].copy()
SIZE = (PHOTO.shape[1], PHOTO.shape[0])
BODY = body(at=(230, 260), height_px=400)
NOWHERE = np.empty((0, 2))
PATH = np.array([[60.0, 400.0], [80.0, 300.0], [110.0, 220.0]])


def box_of(landmarks: np.ndarray = BODY, **rest):
    return crop_box(landmarks, hand=Handedness.RIGHT, picture_size_px=SIZE, style=STYLE, **rest)


def drawn(landmarks: np.ndarray = BODY, path: np.ndarray = PATH, **rest) -> np.ndarray:
    return annotate(
        PHOTO,
        landmarks_px=landmarks,
        wrist_path_px=path,
        hand=Handedness.RIGHT,
        style=STYLE,
        box=box_of(wrist_path_px=PATH),
        **rest,
    )


def without(*names: str) -> np.ndarray:
    landmarks = BODY.copy()
    landmarks[[LANDMARKS.index(name) for name in names]] = np.nan
    return landmarks


def on_page(point: np.ndarray) -> tuple[int, int]:
    """Row and column of a photograph's point on the annotated picture."""
    box = box_of(wrist_path_px=PATH)
    x, y = (np.asarray(point) - (box.left_px, box.top_px)) * STYLE.size_px[0] / box.width_px
    return round(y), round(x)


def colour_at(picture: np.ndarray, point: np.ndarray) -> tuple[int, ...]:
    return tuple(int(v) for v in picture[on_page(point)])


def middle(joint: str) -> np.ndarray:
    return (BODY[LANDMARKS.index(f"left_{joint}")] + BODY[LANDMARKS.index(f"right_{joint}")]) / 2


PLAIN = drawn(np.full_like(BODY, np.nan), NOWHERE)


def test_printed_at_150_dots_an_inch_or_more():
    height, width = drawn().shape[:2]
    assert (width, height) == STYLE.size_px
    assert width / (STYLE.picture.printed_width_mm / 25.4) >= 150


def test_frame_itself_is_left_alone():
    before = PHOTO.copy()
    drawn(labels={"hip": "12 ± 4°"})
    assert np.array_equal(PHOTO, before)


def test_lines_have_their_colours():
    picture = drawn()
    lines = STYLE.colours.lines
    assert colour_at(picture, middle("hip")) == bgr(lines.hip.colour)
    assert colour_at(picture, PATH[-1]) == bgr(lines.wrist.colour)
    shoulder = BODY[LANDMARKS.index("right_shoulder")]
    assert colour_at(picture, shoulder) == bgr(lines.shoulder.colour)


@pytest.mark.parametrize("background", [0, 128, 255])
def test_halo_and_keyline_part_every_line_from_any_background(background):
    flat = np.full_like(PHOTO, background)
    picture = annotate(
        flat,
        landmarks_px=BODY,
        wrist_path_px=PATH,
        hand=Handedness.RIGHT,
        style=STYLE,
        box=box_of(wrist_path_px=PATH),
    )
    row, column = on_page(middle("hip"))
    above = picture[row - 40 : row, column].astype(int)
    is_halo = np.abs(above - bgr(STYLE.colours.halo)).max(axis=1) < 12
    is_line = np.abs(above - bgr(STYLE.colours.lines.hip.colour)).max(axis=1) < 12
    assert is_halo.any()
    assert is_line[-1]
    assert np.flatnonzero(is_halo).max() < np.flatnonzero(is_line).min()


@pytest.mark.parametrize("lost", ["left_hip", "right_hip"])
def test_line_with_a_missing_end_is_left_out(lost):
    picture = drawn(without(lost), NOWHERE)
    assert colour_at(picture, middle("hip")) == colour_at(PLAIN, middle("hip"))
    shoulder = BODY[LANDMARKS.index("right_shoulder")]
    assert colour_at(picture, shoulder) == bgr(STYLE.colours.lines.shoulder.colour)


def test_no_landmark_and_no_path_draw_nothing():
    box = crop_box(
        np.full_like(BODY, np.nan), hand=Handedness.LEFT, picture_size_px=SIZE, style=STYLE
    )
    assert box.width_px / box.height_px == pytest.approx(STYLE.picture.aspect)
    assert box.height_px >= SIZE[1]
    assert box.width_px >= SIZE[0]
    assert np.array_equal(PLAIN, drawn(np.full_like(BODY, np.nan), np.full((4, 2), np.nan)))


def test_gap_in_the_wrist_path_stays_open():
    gap = np.array([[60.0, 420.0], [60.0, 400.0], [np.nan, np.nan], [60.0, 200.0], [60.0, 180.0]])
    picture = drawn(np.full_like(BODY, np.nan), gap)
    assert colour_at(picture, np.array([60.0, 300.0])) == colour_at(PLAIN, np.array([60.0, 300.0]))
    assert colour_at(picture, np.array([60.0, 420.0])) == bgr(STYLE.colours.lines.wrist.colour)


def test_label_stands_only_beside_a_drawn_line():
    label = {"hip": "12 ± 4°"}
    assert not np.array_equal(drawn(labels=label), drawn())
    lost = without("left_hip")
    assert np.array_equal(drawn(lost, labels=label), drawn(lost))


def test_labels_do_not_cover_the_lines():
    picture = drawn(labels={"hip": "12 ± 4°", "shoulder": "−3 ± 5°", "wrist": "now"})
    assert colour_at(picture, middle("hip")) == bgr(STYLE.colours.lines.hip.colour)
    assert colour_at(picture, PATH[-1]) == bgr(STYLE.colours.lines.wrist.colour)


def test_crop_holds_player_and_path_inside_the_picture():
    box = crop_box(
        body(at=(640, 400), height_px=200),
        hand=Handedness.RIGHT,
        picture_size_px=(1280, 720),
        style=STYLE,
        wrist_path_px=np.array([[540.0, 330.0]]),
    )
    assert box.width_px / box.height_px == pytest.approx(STYLE.picture.aspect)
    assert 0 <= box.left_px <= 540
    assert box.top_px >= 0
    assert box.left_px + box.width_px <= 1280
    assert box.top_px + box.height_px <= 720


def test_crop_leaves_room_for_a_paddle_overhead():
    figure = body(at=(640, 400), height_px=200)
    figure[LANDMARKS.index("right_elbow")] = (600, 330)
    figure[LANDMARKS.index("right_wrist")] = (600, 300)
    box = crop_box(figure, hand=Handedness.RIGHT, picture_size_px=(1280, 720), style=STYLE)
    # A paddle is at most 17 in long (USA Pickleball rule 2.E): 1.5 of these 30 px forearms.
    assert box.top_px <= 300 - 45
    other = crop_box(figure, hand=Handedness.LEFT, picture_size_px=(1280, 720), style=STYLE)
    assert other.top_px > box.top_px


def test_crop_of_several_instants_holds_them_all():
    moving = np.stack([body(at=(x, 400), height_px=200) for x in (400, 600)])
    box = crop_box(moving, hand=Handedness.RIGHT, picture_size_px=(1280, 720), style=STYLE)
    assert box.left_px <= np.nanmin(moving[..., 0])
    assert box.left_px + box.width_px >= np.nanmax(moving[..., 0])


def test_margin_gives_way_before_bars_appear():
    # A figure as tall as the picture: the printed shape fits only without the margin.
    box = crop_box(
        body(at=(640, 360), height_px=790),
        hand=Handedness.RIGHT,
        picture_size_px=(1280, 720),
        style=STYLE,
    )
    assert (box.top_px, box.height_px) == pytest.approx((0, 720))


def test_dashes_of_a_straight_line_are_known():
    # 10 long, 3 on and 1 off: dashes start at 0, 4 and 8, the last one cut at the end.
    pieces = dashes(np.array([[0.0, 0.0], [10.0, 0.0]]), on_px=3, off_px=1)
    assert [(p[0, 0], p[-1, 0]) for p in pieces] == [(0, 3), (4, 7), (8, 10)]
    corner = dashes(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]]), on_px=3, off_px=9)
    assert corner[0].tolist() == [[0, 0], [2, 0], [2, 1]]


def test_finite_runs_cut_at_nan():
    path = np.array([[0, 0], [1, 1], [np.nan, 2], [3, 3]], dtype=float)
    assert [len(run) for run in finite_runs(path)] == [2, 1]
    assert finite_runs(NOWHERE) == []


@pytest.mark.parametrize("suffix", [".jpg", ".png"])
def test_written_picture_reads_back(tmp_path, suffix):
    path = write_picture(drawn(), tmp_path / "new" / f"load{suffix}")
    assert cv2.imread(str(path)).shape == drawn().shape
    assert [p.name for p in path.parent.iterdir()] == [path.name]


def test_picture_of_another_kind_is_refused(tmp_path):
    with pytest.raises(ValueError, match=r"\.jpg or \.png"):
        write_picture(drawn(), tmp_path / "load.gif")
