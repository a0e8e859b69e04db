"""The camera model against OpenCV and formulas, and courts solved in drawn pictures."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from paddlebrief.court import SolvedCamera, named_points_m
from paddlebrief.court.adjust import Priors
from paddlebrief.court.camera import PARAMETERS, View
from paddlebrief.court.dimensions import (
    COURT_LENGTH_M,
    COURT_WIDTH_M,
    FOOT_M,
    INCH_M,
    NON_VOLLEY_DEPTH_M,
    line_rectangles_m,
    net_height_m,
)
from paddlebrief.court.fit import refine
from paddlebrief.court.lines import channel, find_ridges, joined_lines, straight_lines
from paddlebrief.court.still import Expectations, solve_still
from paddlebrief.court.verify import CourtLimits, judge, worst_sd_m
from tests.court_scenes import PLACES, court_error, make_scene
from tests.courts import Eye, Floor, badminton_lines, draw_floor, stand_people, tennis_lines

SIZE = (960, 540)
BEHIND = Eye(position_m=(0.3, -11.6, 2.4), aim_m=(0.0, -2.3, 0.9), size_px=SIZE)
CORNER = Eye(position_m=(6.4, -10.0, 2.6), aim_m=(-0.3, -2.8, 0.8), roll_deg=2.0,
             size_px=SIZE)  # fmt: skip


def view_of(eye: Eye) -> View:
    return View(
        focal_px=float(eye.matrix[0, 0]),
        centre_px=eye.matrix[:2, 2],
        distortion=np.array(eye.distortion[:2]),
        rotation=eye.rotation,
        position_m=np.array(eye.position_m),
        size_px=eye.size_px,
    )


def solved_of(eye: Eye, scale: float = 1.0) -> SolvedCamera:
    """A camera with an uncertainty of the size that solving leaves, some of it shared."""
    sd = np.array([1e-3, 3, 3, 3e-3, 3e-3, 2e-3, 2e-3, 1e-3, 0.01, 0.01, 0.005]) * scale
    mixing = np.random.default_rng(4).normal(0, 0.3, (len(sd), len(sd))) + np.eye(len(sd))
    root = sd[:, None] * mixing
    return SolvedCamera(view=view_of(eye), covariance=root @ root.T)


def test_dimensions_are_the_rulebooks():
    """USA Pickleball Official Rulebook (2021 text) 2.A.1, 2.A.2, 2.B.3; net 2.C [2nd]."""
    assert pytest.approx((20 * FOOT_M, 44 * FOOT_M)) == (COURT_WIDTH_M, COURT_LENGTH_M)
    assert pytest.approx((6.10, 13.41), abs=0.006) == (COURT_WIDTH_M, COURT_LENGTH_M)
    rectangles = line_rectangles_m()
    x0, y0, x1, y1 = np.array(list(rectangles.values())).T
    assert (x0.min(), x1.max()) == pytest.approx((-10 * FOOT_M, 10 * FOOT_M))
    assert (y0.min(), y1.max()) == pytest.approx((-22 * FOOT_M, 22 * FOOT_M))
    assert np.allclose(np.minimum(x1 - x0, y1 - y0), 2 * INCH_M)
    assert rectangles["near non-volley line"][1] == pytest.approx(-NON_VOLLEY_DEPTH_M)
    assert pytest.approx(7 * FOOT_M) == NON_VOLLEY_DEPTH_M
    assert net_height_m(0) == pytest.approx(34 * INCH_M)
    assert net_height_m(-10 * FOOT_M) == pytest.approx(36 * INCH_M)


def test_projection_agrees_with_opencv():
    points = np.random.default_rng(1).uniform([-3, -6, 0], [3, 6.7, 2], (50, 3))
    assert np.allclose(view_of(CORNER).project(points), CORNER.project(points), atol=1e-6)


def test_rays_agree_with_opencv():
    px = np.random.default_rng(2).uniform(0, [959, 539], (50, 2))
    wanted = CORNER.directions(px)
    wanted /= np.linalg.norm(wanted, axis=1, keepdims=True)
    assert np.allclose(view_of(CORNER).ray(px), wanted, atol=1e-6)


def test_points_behind_the_camera_and_the_sky_are_missing():
    view = view_of(BEHIND)
    assert np.isnan(view.project(np.array([0.0, -15.0, 1.0]))).all()
    place, covariance = solved_of(BEHIND).ground(np.array([[480.0, 2.0], [480.0, 450.0]]))
    assert np.isnan(place[0]).all()
    assert np.isnan(covariance[0]).all()
    assert np.isfinite(place[1]).all()


def test_a_lens_model_that_folds_back_gives_nothing():
    view = replace(view_of(BEHIND), distortion=np.array([-0.5, 0.0]))
    aside = view.position_m + view.rotation.T @ [1.5, 0, 1]
    assert np.isnan(view.project(aside)).all()


def test_nothing_is_placed_far_outside_the_picture():
    """There the lens was never seen, and its polynomial means nothing."""
    camera = solved_of(BEHIND)
    place, covariance = camera.ground(np.array([[480.0, 560.0], [480.0, 700.0], [-300.0, 400.0]]))
    assert np.isfinite(place[0]).all()
    assert np.isnan(place[1:]).all()
    assert np.isnan(covariance[1:]).all()


def test_derivatives_agree_with_differences():
    view = view_of(CORNER)
    points = np.random.default_rng(3).uniform([-3, -6, 0], [3, 6, 1], (12, 3))
    by_camera, by_point = view.jacobians(points)
    for k in range(len(PARAMETERS)):
        step = np.zeros(len(PARAMETERS))
        step[k] = 1e-6
        slope = (view.moved(step).project(points) - view.moved(-step).project(points)) / 2e-6
        assert np.allclose(by_camera[:, :, k], slope, rtol=1e-4, atol=1e-3), PARAMETERS[k]
    for k, way in enumerate(np.eye(3) * 1e-6):
        slope = (view.project(points + way) - view.project(points - way)) / 2e-6
        assert np.allclose(by_point[:, :, k], slope, rtol=1e-4, atol=1e-3)


def test_ground_covariance_agrees_with_monte_carlo():
    camera = solved_of(BEHIND, scale=0.5)
    px = camera.project(np.array([(-3.0, -6.7, 0), (0, 0, 0), (2.0, 4.0, 0)]))
    _, covariance = camera.ground(px, noise_px=0.7)
    rng = np.random.default_rng(5)
    drawn = np.array(
        [
            SolvedCamera(view=view, covariance=np.zeros((11, 11))).ground(
                px + rng.normal(0, 0.7, px.shape)
            )[0]
            for view in camera.drawn(3000, seed=6)
        ]
    )
    for k in range(len(px)):
        assert np.allclose(covariance[k], np.cov(drawn[:, k].T), rtol=0.12, atol=1e-6)


def test_projection_covariance_agrees_with_monte_carlo():
    camera = replace(solved_of(BEHIND), shake_px=0.0)
    point = np.array([1.0, 2.0, 0.9])
    drawn = np.array([view.project(point) for view in camera.drawn(4000, seed=7)])
    assert np.allclose(camera.project_covariance(point), np.cov(drawn.T), rtol=0.1, atol=0.02)


def test_ground_distance_per_pixel_follows_the_formula():
    """(D² + H²) / (f H) = 0.078 m for D = 15 m, H = 3 m, f = 1000 px (similar triangles)."""
    far, height, focal = 15.0, 3.0, 1000.0
    eye = Eye((0, -far, height), (0, 0, 0), view_deg=np.degrees(2 * np.arctan(640 / focal)),
              distortion=(0, 0, 0, 0))  # fmt: skip
    camera = solved_of(eye)
    at = camera.project(np.zeros(3))
    places, _ = camera.ground(at + np.array([[0, 0.5], [0, -0.5]]))
    assert np.ptp(places[:, 1]) == pytest.approx((far**2 + height**2) / (focal * height), rel=0.01)
    assert np.ptp(places[:, 1]) == pytest.approx(0.078, abs=0.0005)


def test_a_ball_in_the_air_lands_too_far_by_the_formula():
    """D h / (H − h) = 5.0 m for H = 3 m, h = 1 m, D = 10 m (similar triangles)."""
    camera = solved_of(Eye((0, -10, 3.0), (0, 0, 0.5)))
    ball = camera.project(np.array([0, 0, 1.0]))
    assert camera.ground(ball)[0][1] == pytest.approx(5.0, abs=1e-6)
    assert camera.ground(ball, height_m=1.0)[0] == pytest.approx([0, 0], abs=1e-6)


def test_solved_cameras_survive_json_exactly():
    camera = replace(solved_of(CORNER), shake_px=0.4)
    again = SolvedCamera.from_plain(camera.plain())
    assert np.array_equal(again.covariance, camera.covariance)
    assert np.array_equal(again.project(np.ones(3)), camera.project(np.ones(3)))
    assert again.shake_px == camera.shake_px


def test_a_covariance_of_the_wrong_shape_is_refused():
    with pytest.raises(ValueError, match="expected shape \\(11, 11\\)"):
        SolvedCamera(view=view_of(BEHIND), covariance=np.eye(6))


def test_ridges_lie_in_the_middle_of_a_line():
    picture = np.full((200, 300, 3), 60, np.uint8)
    cv2.line(picture, (20, 50), (280, 120), (230, 230, 230), 3, cv2.LINE_AA)
    lines = straight_lines(find_ridges(channel(picture, "whiteness")), (300, 200))
    assert len(lines) == 1
    assert lines[0].support_px > 230
    ends = np.array([(20, 50), (280, 120)], float)
    assert np.abs(ends @ lines[0].normal - lines[0].rho).max() < 0.4


def test_a_line_that_the_lens_bends_into_pieces_is_one():
    x = np.linspace(10, 950, 200)
    bent = np.stack([x, 300 + 8 * ((x - 480) / 480) ** 2], axis=1)
    picture = np.full((540, 960, 3), 60, np.uint8)
    cv2.polylines(picture, [np.round(16 * bent).astype(np.int32)], False, (230, 230, 230), 3,
                  cv2.LINE_AA, 4)  # fmt: skip
    cv2.rectangle(picture, (450, 280), (510, 330), (60, 60, 60), -1)
    pieces = straight_lines(find_ridges(channel(picture, "whiteness")), (960, 540))
    longest = joined_lines(pieces, (960, 540))[0]
    assert len(pieces) >= 2
    assert longest.support_px > 1.4 * pieces[0].support_px
    assert np.linalg.norm(longest.end_px - longest.start_px) > 850


def test_an_even_picture_has_no_lines():
    ridges = find_ridges(np.full((100, 100), 80, np.float32))
    assert len(ridges.angle) == 0
    assert straight_lines(ridges, (100, 100)) == []


@pytest.mark.parametrize("place", PLACES)
def test_a_drawn_court_is_solved_within_its_uncertainty(place):
    scene = make_scene(place, 3, rays=4, size_px=SIZE)
    still = solve_still(scene.picture_bgr, expect=Expectations())
    assert still.reason is None
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    error = court_error(camera, scene.eye)
    assert error.near_m < 0.03
    assert error.far_m < 0.10
    assert error.worst_m < 0.3
    assert not error.net_px > 2  # NaN where the net is out of view
    # The places of one picture share one error: they are inside or outside together.
    assert error.inside.mean() > 0.6


def test_people_in_the_way_do_not_matter():
    picture = draw_floor(BEHIND, Floor(), seed=1)
    people = [(-1.5, -6.2), (1.2, -5.0), (-0.5, 4.0), (2.0, 5.5)]
    still = solve_still(stand_people(picture, BEHIND, people, seed=2), expect=Expectations())
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    assert court_error(camera, BEHIND).worst_m < 0.1


def test_a_line_that_people_stand_on_is_not_missed():
    """From the side all players stand in one line of sight: on the base line."""
    eye = Eye((8.5, -4.9, 1.8), (0.0, -3.6, 0.9), size_px=(1280, 720))
    picture = draw_floor(eye, Floor(), seed=4)
    covered = np.zeros(picture.shape[:2], bool)
    stood = view_of(eye).project(np.array([[x, -6.7, 0.0] for x in np.linspace(-3, 1.9, 12)]))
    for u, v in np.round(stood).astype(int):
        covered[v - 120 : v + 20, max(u - 30, 0) : u + 30] = True
    picture[covered] = (60, 70, 65)
    blind = solve_still(picture, expect=Expectations())
    assert blind.fit is None
    still = solve_still(picture, expect=Expectations(), covered=covered)
    assert still.reason is None
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    assert court_error(camera, eye).worst_m < 0.15
    assert still.quality.shares["near baseline"] > 0.6 > blind_share(picture, still)


def blind_share(picture, still):
    """Share of the base line found where it counts as in the open throughout."""
    quality = judge(still.fit, picture, None, limits=CourtLimits())
    return quality.shares["near baseline"]


@pytest.mark.parametrize(
    "floor",
    [
        Floor(lines=tennis_lines(), half_width_m=5.485, half_length_m=11.885, net_m=(1.07, 0.914)),
        Floor(lines=badminton_lines(), net_m=(1.55, 1.524)),
        Floor(lines=(), half_width_m=3.6, half_length_m=7.4),
    ],
    ids=["tennis", "badminton", "no lines"],
)
def test_other_courts_are_refused_with_a_reason(floor):
    still = solve_still(draw_floor(BEHIND, floor, seed=2, rays=2), expect=Expectations())
    assert still.fit is None
    assert still.reason


def test_other_lines_on_the_same_floor_do_not_matter():
    others = [(line, (40, 190, 220)) for line in badminton_lines()]
    floor = Floor(others=others, shadow=(0.3, 1.0, -6.0), court_bgr=(94, 142, 184))
    still = solve_still(draw_floor(BEHIND, floor, seed=5), expect=Expectations())
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    assert court_error(camera, BEHIND).worst_m < 0.15


def test_a_pale_line_inside_the_baseline_is_not_taken_for_it():
    """A pale line in full view, the true baseline bent and half out of the picture."""
    pale = (186, 150, 104)
    others = [((-5.5, y - 0.02, 5.5, y + 0.02), pale) for y in (-5.94, 5.94)]
    eye = Eye((0.0, -10.7, 2.4), (0.0, -2.35, 0.9), size_px=(1280, 720))
    picture = draw_floor(eye, Floor(others=others), seed=3)
    still = solve_still(picture, expect=Expectations())
    assert still.reason is None
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    assert court_error(camera, eye).worst_m < 0.1


def test_a_view_of_half_the_court_is_right_or_refused():
    eye = Eye((0.4, -10.2, 3.4), (0.0, -5.2, 0.0), view_deg=62, size_px=SIZE)
    still = solve_still(draw_floor(eye, Floor(), seed=3), expect=Expectations())
    if still.fit is None:
        assert still.reason
    else:
        camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
        assert court_error(camera, eye).worst_m < 0.3


def test_where_lines_are_laid_badly_more_is_left_open():
    """The lines themselves show how far they lie off, and the covariance follows."""
    grown = []
    for off in (0.0, 0.03):
        lines = dict(line_rectangles_m())
        for name, way in (("near non-volley line", (0, 1)), ("near centre line", (1, 0))):
            lines[name] = tuple(lines[name] + off * np.tile(way, 2))
        grey = channel(draw_floor(BEHIND, Floor(lines=tuple(lines.values())), seed=4), "whiteness")
        fit = refine(grey, view_of(BEHIND), priors=Priors(), rough=False)
        grown.append(worst_sd_m(fit))
    assert grown[1] > 1.3 * grown[0]


MARKS = ("near_left_corner", "near_right_corner", "near_left_non_volley",
         "near_right_non_volley", "net_top_left", "net_top_right")  # fmt: skip


def marks_of(eye: Eye, *, noise_px: float = 0.0) -> dict[str, tuple[float, float]]:
    known = named_points_m()
    px = eye.project([known[name] for name in MARKS])
    px = px + np.random.default_rng(8).normal(0, noise_px, px.shape)
    return {name: (float(x), float(y)) for name, (x, y) in zip(MARKS, px, strict=True)}


def test_marks_lead_to_the_same_camera_as_the_lines():
    picture = draw_floor(BEHIND, Floor(wear=0.3), seed=6)
    marks = marks_of(BEHIND, noise_px=1.5)
    still = solve_still(picture, expect=Expectations(), marks=marks)
    assert still.reason is None
    camera = SolvedCamera(view=still.fit.view, covariance=still.fit.covariance)
    assert court_error(camera, BEHIND).worst_m < 0.1
    assert np.linalg.norm(camera.position_m - BEHIND.position_m) < 0.1


def test_the_pose_agrees_with_opencvs_own_from_exact_points():
    """cv2.solvePnP with the true lens on the court's corners against the solver's pose."""
    still = solve_still(draw_floor(CORNER, Floor(), seed=7), expect=Expectations())
    points = np.array(list(named_points_m().values()))
    px = CORNER.project(points)
    _, turn, move = cv2.solvePnP(points, px, CORNER.matrix, np.array(CORNER.distortion))
    rotation = cv2.Rodrigues(turn)[0]
    assert np.allclose(-rotation.T @ move[:, 0], still.fit.view.position_m, atol=0.05)
    angle = np.arccos((np.trace(rotation @ still.fit.view.rotation.T) - 1) / 2)
    # The principal point and the turn stand in for each other.
    assert np.degrees(angle) < 0.5


@pytest.mark.parametrize(
    ("marks", "reason"),
    [
        ({"near_left_corner": (10.0, 10.0)}, "1 points are too few"),
        ({"near_left_korner": (10.0, 10.0)}, "no point is called near_left_korner"),
    ],
)
def test_unusable_marks_are_told(marks, reason):
    picture = np.full((540, 960, 3), 90, np.uint8)
    still = solve_still(picture, expect=Expectations(), marks=marks)
    assert still.fit is None
    assert reason in still.reason


def test_a_mark_in_the_wrong_place_is_not_believed():
    marks = marks_of(BEHIND)
    marks["near_left_non_volley"], marks["net_top_left"] = (
        marks["net_top_left"],
        marks["near_left_non_volley"],
    )
    still = solve_still(draw_floor(BEHIND, Floor(), seed=9), expect=Expectations(), marks=marks)
    assert still.fit is None
    assert still.reason.startswith("court:")
