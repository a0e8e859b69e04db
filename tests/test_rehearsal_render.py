"""Bodies, looks, camera and pictures of rehearsals against independent calculation."""

from fractions import Fraction
from itertools import pairwise

import cv2
import numpy as np
import pytest
from pydantic import ValidationError
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from paddlebrief.errors import RehearsalError
from paddlebrief.records import LANDMARKS
from paddlebrief.rehearsal.bake import SKIN_BONES
from paddlebrief.rehearsal.bodies import Body, BodySpec, make_body, rotation_about
from paddlebrief.rehearsal.camera import (
    Camera,
    CameraSettings,
    Shake,
    exposure_gain,
    frame_times,
    place_camera,
)
from paddlebrief.rehearsal.court_dimensions import BALL_RADIUS_M, line_rectangles_m
from paddlebrief.rehearsal.drawing import ActorBuffers, clip_matrix, open_drawing
from paddlebrief.rehearsal.dress import ClothesSettings, dress, linear, make_look
from paddlebrief.rehearsal.film import film_frames, render_film
from paddlebrief.rehearsal.gear import paddle_prop
from paddlebrief.rehearsal.lens import Lens, Sensor
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.scene import Exposure, Moments, Scene
from paddlebrief.rehearsal.scenery import FAR_M, build_scenery, settled
from paddlebrief.rehearsal.shadows import ShadowMap
from paddlebrief.rehearsal.thinning import thinned
from paddlebrief.rehearsal.venue import HALL_LIGHTS, VenueSettings, light_of

SPEC = BodySpec(age_years=34, sex="female", height_m=1.70, build=0.4, appearance=4)
PLAIN_VENUE = VenueSettings(
    indoor=False, light="overcast", neighbours=0, people=0, fence=False, other_lines=False
)
PLACES = ("behind", "side", "corner")


@pytest.fixture(scope="module")
def body():
    return make_body(SPEC, seed=1)


@pytest.fixture(scope="module")
def dressed(body):
    return dress(body, make_look(body, ClothesSettings(shirt="red", hair="short")))


@pytest.fixture(scope="module")
def drawing():
    try:
        with open_drawing(FAR_M) as found:
            yield found
    except RehearsalError as missing:
        pytest.skip(str(missing))


def small_camera(**settings) -> CameraSettings:
    plain = {"distortion": (0, 0, 0, 0, 0), "noise": 0, "exposure_drift": 0}
    return CameraSettings(**{**plain, "width_px": 480, "height_px": 320, **settings})


def ball_scene(drawing, settings: CameraSettings) -> tuple[Scene, Camera, Lens]:
    camera = place_camera(settings)
    lens = Lens(camera, shake_deg=settings.shake_deg)
    scene = Scene(drawing, camera=camera, lens=lens, venue=PLAIN_VENUE, cast=[], paddles=[], seed=3)
    return scene, camera, lens


def balls(places: np.ndarray) -> Moments:
    return Moments(joints=(), balls_m=np.atleast_3d(places).reshape(len(places), -1, 3))


def silhouette(scene: Scene, lens: Lens, world, exposure: Exposure) -> np.ndarray:
    """(H, W) change that a ball above the ground makes to the empty picture."""
    empty = lens.picture(scene.expose(lambda t: balls(np.full((len(t), 3), np.nan)), exposure))
    seen = lens.picture(scene.expose(world, exposure))
    return np.abs(seen.astype(float) - empty).sum(axis=2)


# Bodies


def test_rest_pose_is_the_rest_mesh(body):
    positions, rotations = body.joints(*body.rest_pose())
    np.testing.assert_allclose(positions, body.rest_joints_m, atol=1e-12)
    np.testing.assert_allclose(body.vertices(positions, rotations), body.skin.vertices_m, atol=1e-6)


def test_body_has_the_height_and_stands_on_the_ground(body):
    z = body.skin.vertices_m[:, 2]
    assert z.min() == pytest.approx(0.0, abs=1e-6)
    assert np.ptp(z) == pytest.approx(SPEC.height_m, abs=1e-6)


def test_joints_follow_scipy_along_a_chain(body):
    rng = np.random.default_rng(2)
    root, turns = body.rest_pose()
    turns = Rotation.random(len(turns), random_state=rng).as_matrix()
    positions, rotations = body.joints(root, turns)
    chain = ["pelvis", "right_hip", "right_knee", "right_ankle"]
    place, turn = root, Rotation.from_matrix(turns[0])
    for up, down in pairwise(chain):
        offset = body.rest_joints_m[body.joint(down)] - body.rest_joints_m[body.joint(up)]
        place = place + turn.apply(offset)
        turn = turn * Rotation.from_matrix(turns[body.joint(down)])
    np.testing.assert_allclose(positions[body.joint("right_ankle")], place, atol=1e-12)
    np.testing.assert_allclose(rotations[body.joint("right_ankle")], turn.as_matrix(), atol=1e-12)


def test_many_poses_at_once_equal_each_alone(body):
    root, turns = body.rest_pose()
    many = np.stack([turns, body.grip(turns, "left"), body.grip(turns, "right", 0.5)])
    positions, rotations = body.joints(np.stack([root] * 3), many)
    for k in range(3):
        alone = body.joints(root, many[k])
        np.testing.assert_allclose(positions[k], alone[0], atol=1e-12)
        np.testing.assert_allclose(
            body.skin_transforms(positions, rotations)[k], body.skin_transforms(*alone), atol=1e-12
        )


def test_landmarks_are_mirror_images_and_face_forward(body):
    positions, rotations = body.joints(*body.rest_pose())
    places = dict(zip(LANDMARKS, body.landmarks(positions, rotations), strict=True))
    for name, place in places.items():
        if "left" in name:
            other = places[name.replace("left", "right")]
            np.testing.assert_allclose(other, place * [-1, 1, 1], atol=0.012)
            assert place[0] > 0, f"{name} is on the body's left"
    assert places["nose"][1] < places["left_ear"][1], "the face looks along −y"
    assert places["left_eye"][2] > places["nose"][2] > places["mouth_left"][2]
    assert places["left_heel"][1] > places["left_foot_index"][1]


def test_a_rigid_turn_moves_every_vertex_rigidly(body):
    root, turns = body.rest_pose()
    turn = Rotation.from_rotvec([0.3, -0.2, 2.0]).as_matrix()
    turns[0] = turn
    place = np.array([1.0, 2.0, 1.5])
    positions, rotations = body.joints(place, turns)
    expected = (body.skin.vertices_m - root) @ turn.T + place
    np.testing.assert_allclose(body.vertices(positions, rotations), expected, atol=1e-6)


def test_twist_of_the_wrist_is_shared_by_the_forearm(body):
    root, turns = body.rest_pose()
    elbow, wrist = (body.rest_joints_m[body.joint(f"right_{n}")] for n in ("elbow", "wrist"))
    axis = (wrist - elbow) / np.linalg.norm(wrist - elbow)
    turns[body.joint("right_wrist")] = rotation_about(axis, np.radians(80))
    bones = body.skin_transforms(*body.joints(root, turns))
    shared = bones[SKIN_BONES.index("right_forearm_end"), :, :3]
    angle = np.degrees(np.linalg.norm(Rotation.from_matrix(shared).as_rotvec()))
    assert angle == pytest.approx(0.55 * 80, abs=1e-6)


def test_a_closed_hand_holds_the_handle(body):
    root, turns = body.rest_pose()
    turns = body.grip(turns, "right")
    positions, rotations = body.joints(root, turns)
    axes, wrist = body.hand_axes("right"), body.joint("right_wrist")
    centre = positions[wrist] + rotations[wrist] @ axes.centre_m
    for finger in ("index", "middle", "ring", "pinky"):
        tip = positions[body.joint(f"right_{finger}_3")] - centre
        off_axis = np.linalg.norm(tip - (tip @ axes.handle) * axes.handle)
        assert off_axis < 0.045, f"the {finger} lies round the handle"
    assert axes.handle @ axes.palm == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("change", "named"),
    [({"age_years": 3}, "age_years"), ({"height_m": 2.6}, "height_m"), ({"build": 2}, "build")],
)
def test_impossible_bodies_are_refused(change, named):
    with pytest.raises(RehearsalError, match=named):
        BodySpec(**{**vars(SPEC), **change})


def test_thinning_keeps_a_sphere_round():
    count = 40
    theta, phi = np.meshgrid(
        np.linspace(0, np.pi, count)[1:-1],
        np.linspace(0, 2 * np.pi, count, endpoint=False),
        indexing="ij",
    )
    ring = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], -1)
    points = np.concatenate([ring.reshape(-1, 3), [[0, 0, 1.0], [0, 0, -1.0]]])
    hull = ConvexHull(points)
    a, b, c = (points[hull.simplices[:, k]] for k in range(3))
    outward = np.sum(np.cross(b - a, c - a) * hull.equations[:, :3], axis=1) > 0
    triangles = np.where(outward[:, None], hull.simplices, hull.simplices[:, ::-1])
    fewer = thinned(points, triangles, target=600, care=np.ones(len(points)))
    assert 500 <= len(fewer) <= 700
    middles = points[fewer].mean(axis=1)
    assert np.linalg.norm(middles, axis=1).min() > 0.97
    edges = np.sort(np.concatenate([fewer[:, [i, (i + 1) % 3]] for i in range(3)]), axis=1)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all(), "still closed"


# Looks


def test_clothes_asked_for_are_worn(body, dressed):
    assert dressed.look.shirt == "red"
    assert dressed.look.colour_words[0] == "red"
    worn = dressed.materials[:, :3]
    assert np.abs(worn - linear("red")).sum(axis=1).min() < 1e-5


def test_dressed_mesh_is_sound(dressed):
    arrays = dressed.arrays
    np.testing.assert_allclose(arrays["weights"].sum(axis=1), 1, atol=1e-5)
    assert dressed.triangles.max() < len(arrays["position"])
    assert arrays["material"].max() < len(dressed.materials)
    assert np.isfinite(arrays["normal"]).all()
    top = arrays["position"][:, 2].max()
    assert top > SPEC.height_m + 0.003, "hair stands above the crown"
    assert arrays["position"][:, 2].min() == pytest.approx(-0.02, abs=0.004), "soles"


def test_looks_differ_by_appearance_and_repeat(body):
    def look(appearance: int):
        other = BodySpec(**{**vars(SPEC), "appearance": appearance})
        meshes = body.skin, body.thin_skin, body.eyes, body.guides
        return make_look(Body(other, body.rest_joints_m, *meshes))

    assert look(1) == look(1)
    assert len({look(k).shirt for k in range(12)}) >= 5


def test_paddle_has_the_size_asked_for():
    spec = PaddleSpec(length_m=0.41, width_m=0.19)
    size = np.ptp(paddle_prop(spec, seed=1).vertices_m, axis=0)
    np.testing.assert_allclose(size[:2], [0.19, 0.41], atol=0.002)


# Camera


@pytest.mark.parametrize("place", PLACES)
def test_projection_agrees_with_opencv(place):
    settings = CameraSettings(
        place=place, tilt_deg=4, distortion=(-0.12, 0.04, 0.001, -0.002, 0.003)
    )
    camera = place_camera(settings)
    points = np.random.default_rng(1).uniform([-4, -7, 0], [4, 3, 2.5], (300, 3))
    points = points[camera.in_camera(points)[:, 2] > 0.5]
    shake = np.array([0.004, -0.006, 0.01])
    turn = Rotation.from_rotvec(shake).as_matrix() @ camera.rotation
    expected = cv2.projectPoints(
        points, cv2.Rodrigues(turn)[0], -turn @ camera.position_m, camera.matrix, camera.distortion
    )[0][:, 0]
    np.testing.assert_allclose(camera.project(points, shake), expected, atol=1e-6)


def test_points_behind_the_camera_have_no_pixel():
    camera = place_camera(CameraSettings(place="behind"))
    behind = camera.position_m - [0, 3, 0]
    assert np.isnan(camera.project(behind)).all()


def test_camera_axes_are_those_of_the_court():
    camera = place_camera(CameraSettings(place="behind"))
    left, right = camera.project(np.array([[-2, -3, 0.5], [2, -3, 0.5]]))
    low, high = camera.project(np.array([[0, -3, 0.0], [0, -3, 2.0]]))
    assert left[0] < right[0]
    assert high[1] < low[1]


def test_rays_undo_the_lens():
    camera = place_camera(CameraSettings(distortion=(-0.15, 0.05, 0.001, -0.002, 0.0)))
    pixels = np.random.default_rng(3).uniform([0, 0], [1279, 719], (200, 2))
    ways = np.column_stack([camera.rays(pixels), np.ones(200)])
    points = camera.position_m + 7 * ways @ camera.rotation
    np.testing.assert_allclose(camera.project(points), pixels, atol=1e-6)


@pytest.mark.parametrize("shaken", [False, True])
def test_lens_puts_points_where_the_camera_projects_them(shaken):
    settings = CameraSettings(distortion=(-0.12, 0.04, 0.001, -0.002, 0.0), shake_deg=0.3)
    camera, shake = place_camera(settings), Shake(settings, 5).at(1.7) if shaken else None
    lens = Lens(camera, shake_deg=0.3)
    for point in np.array([[-2.5, -5.5, 0.2], [2.0, -1.0, 1.5], [0.4, -4.0, 0.9]]):
        seen = camera.in_camera(point)
        flat = seen[:2] / seen[2] * camera.focal_px + lens.matrix[:2, 2]
        y, x = np.mgrid[: lens.size_px[1], : lens.size_px[0]]
        spot = 250 * np.exp(-((x - flat[0]) ** 2 + (y - flat[1]) ** 2) / (2 * 4.0**2))
        grey = np.repeat(np.round(spot).astype(np.uint8)[..., None], 3, axis=2)
        picture = lens.picture(grey, shake)
        weight = picture[..., 0].astype(float)
        y, x = np.mgrid[: weight.shape[0], : weight.shape[1]]
        found = np.array([(x * weight).sum(), (y * weight).sum()]) / weight.sum()
        np.testing.assert_allclose(found, camera.project(point, shake), atol=0.1)


def test_frame_times_are_regular_or_jittered():
    steady = frame_times(CameraSettings(frame_rate=60), 5.0, seed=1)
    assert len(steady) == 300
    np.testing.assert_allclose(np.diff(steady), 1 / 60, atol=1e-12)
    rough = frame_times(CameraSettings(frame_rate=60, rate_jitter=1.0), 5.0, seed=1)
    assert (np.diff(rough) > 0).all()
    assert np.diff(rough).std() > 0.002
    assert 240 <= len(rough) < 300


def test_frame_rates_are_fractions():
    assert CameraSettings(frame_rate="30000/1001").frame_rate == Fraction(30000, 1001)


def test_a_shutter_longer_than_a_frame_is_refused():
    with pytest.raises(ValidationError, match="longer than a frame"):
        CameraSettings(frame_rate=60, shutter_s=0.02)


def test_shake_and_drift_have_the_size_asked_for():
    settings = CameraSettings(shake_deg=0.5, exposure_drift=0.1)
    times = np.linspace(0, 600, 60_000)
    spread = np.degrees(Shake(settings, 1).at(times)).std(axis=0)
    np.testing.assert_allclose(spread, 0.5, rtol=0.15)
    gain = np.log(exposure_gain(settings, times, 1))
    assert gain.std() == pytest.approx(0.1, rel=0.2)
    assert (Shake(CameraSettings(), 1).at(times) == 0).all()


def test_sensor_noise_has_the_size_asked_for():
    sensor = Sensor(CameraSettings(noise=5), seed=1)
    picture = np.full((720, 1280, 3), 120, np.uint8)
    noise = sensor.record(picture, 1.0).astype(float) - 120
    assert noise.std() == pytest.approx(5, rel=0.1)
    # Twice the light: (120/255 → linear) × 2 → 165 by IEC 61966-2-1.
    assert sensor.record(picture, 2.0).mean() == pytest.approx(165, abs=1.5)


def test_a_hall_has_no_sun():
    with pytest.raises(ValidationError, match="not a light of a hall"):
        VenueSettings(indoor=True, light="sun")


@pytest.mark.parametrize("seed", range(4))
def test_open_choices_of_a_venue_are_made_consistently(seed):
    chosen = settled(VenueSettings(), seed)
    assert None not in chosen.model_dump().values()
    assert (chosen.light in HALL_LIGHTS) == chosen.indoor
    assert settled(VenueSettings(light="dim hall"), seed).indoor


def test_painted_lines_are_the_rulebooks():
    scenery = build_scenery(PLAIN_VENUE, eye_m=np.array([0, -12.0, 2]), seed=1, feeder_m=None)
    painted = {tuple(r) for r in np.round(scenery.rectangles_m, 6)}
    assert {tuple(np.round(r, 6)) for r in line_rectangles_m().values()} <= painted
    # 44 × 20 ft outside of the lines (rulebook 2.A.1).
    low, high = scenery.rectangles_m[:, :2].min(axis=0), scenery.rectangles_m[:, 2:].max(axis=0)
    np.testing.assert_allclose(high - low, [6.096, 13.4112], atol=1e-6)
    net = next(c.prop.vertices_m for c in scenery.cards if c.veil)
    middle = net[np.abs(net[:, 0]) < 1e-9, 2].max()
    side = net[np.argmin(np.abs(net[:, 0] - 3.048) - 9 * (net[:, 2] > 0.5)), 2]
    # The tape's 2 in stand on the mesh: 34 in at the centre, 36 in at the side lines (2.C).
    assert middle + 0.05 == pytest.approx(0.8636, abs=1e-6)
    assert side + 0.05 == pytest.approx(0.9144, abs=0.004)


# Pictures


def test_a_ball_is_drawn_where_it_is(drawing):
    scene, camera, lens = ball_scene(drawing, small_camera())
    errors = []
    for still in np.random.default_rng(2).uniform((-1, -9.2, 1.5), (1.1, -8.6, 2.3), (30, 3)):
        change = silhouette(
            scene, lens, lambda t, p=still: balls(np.tile(p, (len(t), 1))), Exposure(0.0, 0.001)
        )
        mask = np.clip(change / 8, 0, 1)
        y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
        # Its shadow on the ground is far below the ball and left out.
        px = camera.project(still)
        near = np.hypot(x - px[0], y - px[1]) < 25
        found = np.array([(x * mask)[near].sum(), (y * mask)[near].sum()]) / mask[near].sum()
        # A sphere's outline is an ellipse about f·X·Z/(Z² − r²), a little off its centre.
        seen = camera.in_camera(still)
        grow = seen[2] ** 2 / (seen[2] ** 2 - BALL_RADIUS_M**2)
        expected = seen[:2] / seen[2] * grow * camera.focal_px + camera.centre_px
        errors.append(found - expected)
        radius = camera.focal_px * BALL_RADIUS_M / seen[2]
        # Half-covered pixels of the rim count whole.
        assert radius < np.sqrt(mask[near].sum() / np.pi) < radius + 1.2
    # A rim of whole pixels places one small ball to a tenth or two; together they show no shift.
    np.testing.assert_allclose(np.mean(errors, axis=0), 0, atol=0.06)
    assert np.abs(errors).max() < 0.3


def test_blur_is_speed_times_exposure(drawing):
    scene, camera, lens = ball_scene(drawing, small_camera(frame_rate=30, shutter_s=1 / 60))
    middle, speed, shutter = np.array([0.0, -9.0, 2.1]), 12.0, 1 / 60

    def world(t: np.ndarray) -> Moments:
        return balls(middle + np.outer(t, [speed, 0, 0]))

    change = silhouette(scene, lens, world, Exposure(0.0, shutter))
    row = change[round(camera.project(middle)[1])]
    on = np.flatnonzero(row > 6)
    distance = camera.in_camera(middle)[2]
    way = (speed * shutter + 2 * BALL_RADIUS_M) * camera.focal_px / distance
    assert on[-1] - on[0] + 1 == pytest.approx(way, rel=0.04)


def test_rolling_shutter_exposes_rows_one_after_the_other(drawing):
    settings = small_camera(readout_s=0.02)
    scene, camera, lens = ball_scene(drawing, settings)
    speed = np.array([6.0, 0, 0])
    for start in ((0.0, -9.0, 2.9), (0.0, -9.0, 1.4)):
        at = np.array(start)
        change = silhouette(
            scene, lens, lambda t, p=at: balls(p + np.outer(t, speed)), Exposure(0.0, 0.001, 0.02)
        )
        expected = camera.project(at)
        time_s = camera.row_time_s(0.0, expected[1], 0.02)
        assert abs(time_s) > 0.002, "the ball is away from the middle row"
        expected = camera.project(at + speed * time_s)
        mask = np.clip(change / 8, 0, 1)
        y, x = np.mgrid[: mask.shape[0], : mask.shape[1]]
        near = np.hypot(x - expected[0], y - expected[1]) < 22
        found = (x * mask)[near].sum() / mask[near].sum()
        assert found == pytest.approx(expected[0], abs=0.5)


def test_a_net_covers_what_is_behind_it(drawing):
    scene, camera, lens = ball_scene(drawing, small_camera(height_m=1.0))
    strength = []
    for y in (-0.15, 0.15):
        place = np.array([0.8, y, 0.45])
        change = silhouette(
            scene, lens, lambda t, p=place: balls(np.tile(p, (len(t), 1))), Exposure(0.0, 0.001)
        )
        x, row = np.round(camera.project(place)).astype(int)
        strength.append(change[row - 1 : row + 2, x - 1 : x + 2].mean())
    assert 0.2 * strength[0] < strength[1] < 0.95 * strength[0]


def test_nothing_is_cut_off_far_away(drawing):
    scene, _, lens = ball_scene(drawing, small_camera())
    empty = lens.picture(
        scene.expose(lambda t: balls(np.full((len(t), 3), np.nan)), Exposure(0.0, 0.001))
    )
    sky = empty[:12].astype(float)
    assert sky.min() > 60, "the sky, some 300 m away, is drawn"


def test_same_seed_same_film(dressed, drawing):
    settings = small_camera(
        noise=2, exposure_drift=0.05, shake_deg=0.1, width_px=320, height_px=200
    )
    body = dressed.body
    root, turns = body.rest_pose()
    turns[0] = rotation_about(np.array([0, 0, 1.0]), np.pi)
    positions, rotations = body.joints(np.array([0, -5, root[2] + 0.02]), turns)

    def world(t: np.ndarray) -> Moments:
        n = len(t)
        pose = np.tile(positions, (n, 1, 1)), np.tile(rotations, (n, 1, 1, 1))
        return Moments(joints=(pose,), balls_m=np.full((n, 0, 3), np.nan))

    def film(seed: int) -> list[np.ndarray]:
        frames: list[np.ndarray] = []
        film_frames(
            settings=settings,
            venue=PLAIN_VENUE,
            cast=[dressed],
            paddles=[],
            world=world,
            times_s=np.array([0.01, 0.03]),
            seed=seed,
            show=lambda _, picture: frames.append(picture),
        )
        return frames

    first, again, other = film(8), film(8), film(9)
    assert all(np.array_equal(a, b) for a, b in zip(first, again, strict=True))
    assert not np.array_equal(first[0], other[0])
    x, y = np.round(place_camera(settings).project(positions[body.joint("chest")])).astype(int)
    blue, green, red = first[0][y - 4 : y + 5, x - 4 : x + 5].reshape(-1, 3).mean(axis=0)
    assert red > 1.3 * max(blue, green), "the shirt is red"


def test_recording_keeps_times_and_sound(tmp_path, drawing):
    import av

    settings = small_camera(frame_rate=30, rate_jitter=0.8, width_px=160, height_px=120)
    times = frame_times(settings, 1.0, seed=2)
    tone = 0.2 * np.sin(2 * np.pi * 1000 * np.arange(48_000) / 48_000)
    told: list[tuple[int, int]] = []
    path = tmp_path / "film.mp4"
    render_film(
        path,
        settings=settings,
        venue=PLAIN_VENUE,
        cast=[],
        paddles=[],
        world=lambda t: balls(np.tile([0.0, -5.0, 1.0], (len(t), 1))),
        times_s=times,
        seed=2,
        sound=tone,
        progress=lambda done, of: told.append((done, of)),
    )
    with av.open(str(path)) as film:
        found = [float(f.pts * f.time_base) for f in film.decode(video=0)]
    with av.open(str(path)) as film:
        sound = np.concatenate([f.to_ndarray()[0] for f in film.decode(audio=0)])
    np.testing.assert_allclose(found, times, atol=1 / 90_000)
    assert len(sound) == pytest.approx(48_000, abs=2 * 1024)
    spectrum = np.abs(np.fft.rfft(sound[4000:44_000]))
    assert np.fft.rfftfreq(40_000, 1 / 48_000)[spectrum.argmax()] == pytest.approx(1000, abs=2)
    assert told[-1] == (len(times), len(times))
    assert [p.name for p in tmp_path.iterdir()] == ["film.mp4"]


def test_a_failing_world_leaves_no_file(tmp_path, drawing):
    def world(t: np.ndarray) -> Moments:
        raise ValueError("no such place")

    with pytest.raises(ValueError, match="no such place"):
        render_film(
            tmp_path / "film.mp4",
            settings=small_camera(width_px=160, height_px=120),
            venue=PLAIN_VENUE,
            cast=[],
            paddles=[],
            world=world,
            times_s=np.array([0.1]),
            seed=1,
        )
    assert list(tmp_path.iterdir()) == []


def test_moving_things_keep_distance_label_and_coverage(dressed, drawing):
    body, context = dressed.body, drawing.context
    positions, rotations = body.joints(*body.rest_pose())
    eye, side = np.array([0.4, -6.0, 1.2]), 160
    forward = np.array([0, 0, 0.9]) - eye
    forward /= np.linalg.norm(forward)
    right = np.cross(forward, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    view = np.eye(4)
    view[:3, :3] = np.stack([right, np.cross(forward, right), forward])
    view[:3, 3] = -view[:3, :3] @ eye
    matrix = np.array([[420.0, 0, 79.5], [0, 420.0, 79.5], [0, 0, 1]])
    targets = [context.texture((side, side), 4, dtype="f4") for _ in range(2)]
    frame = context.framebuffer(targets, context.depth_renderbuffer((side, side)))
    light = light_of("sun", 1)
    drawing.light(light, eye)
    shadow = ShadowMap(drawing, 256, unit=6)
    actor = ActorBuffers(drawing, dressed)
    actor.pose(body.skin_transforms(positions, rotations))
    with shadow.over(np.stack([positions.min(axis=0), positions.max(axis=0)]), light):
        actor.draw("shadow", shadow.to_clip)
    shadow.show(light, still=False)
    frame.use()
    frame.clear(0, 0, 0, 0)
    context.enable_only(context.DEPTH_TEST)
    actor.draw("moving", clip_matrix(matrix, (side, side), FAR_M) @ view, label=7.0)
    data = frame.read(components=4, attachment=1, dtype="f4")
    covered = np.frombuffer(data, np.float32).reshape(side, side, 4)

    points = dressed.arrays["position"].astype(float)
    seen = (points - eye) @ view[:3, :3].T
    pixels = seen[:, :2] / seen[:, 2:] * 420 + 79.5
    rows, columns = np.nonzero(covered[..., 0])
    for found, wanted in ((columns, pixels[:, 0]), (rows, pixels[:, 1])):
        assert found.min() == pytest.approx(wanted.min(), abs=1.0)
        assert found.max() == pytest.approx(wanted.max(), abs=1.0)
    assert set(np.unique(covered[..., 2])) == {0.0, 7.0}
    distance = covered[rows, columns, 1]
    assert distance.min() == pytest.approx(seen[:, 2].min(), abs=0.02)
    assert distance.max() < seen[:, 2].max() + 0.02
