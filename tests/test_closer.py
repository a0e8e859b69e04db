"""The closer look: which strokes a ball confirms, what is kept on disk, and the judged side."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from paddlebrief.ball import (
    BallTrack,
    BallTrackSettings,
    Break,
    BreakKind,
    Candidates,
    Flight,
    leaving_px,
)
from paddlebrief.closer import CloserFolder
from paddlebrief.closer import scene as watching
from paddlebrief.closer.confirm import confirm
from paddlebrief.closer.stage import _thinned
from paddlebrief.court import Court
from paddlebrief.errors import StoreError
from paddlebrief.footage import Frame
from paddlebrief.mechanics.body_view import BodyView
from paddlebrief.mechanics.judging import judged_kind, judged_side
from paddlebrief.paddle import BallAtHit, PaddleTrack, meets_ball
from paddlebrief.records import (
    LANDMARKS,
    FrameOfReference,
    Handedness,
    Kind,
    Measure,
    Side,
    Stroke,
)
from paddlebrief.sight import SightSettings
from paddlebrief.strokes import StrokeSettings
from paddlebrief.turn.fusion import Turns
from paddlebrief.turn.net import SEGMENTS
from tests.bodies2d import HEIGHT_PX, standing, track
from tests.court_scenes import level_court
from tests.test_strokes import footage, parts_of

WRIST_PX = {0: np.array([664.0, 420.0]), 1: np.array([264.0, 420.0])}


def stroke(number=1, *, person=0, contact_s=3.0, sure=True, hand=Handedness.RIGHT) -> Stroke:
    return Stroke(
        number=number, person=person, player="A", hand=hand, side=Side.UNSURE,
        side_probability=0.5, kind=Kind.UNSURE,
        kind_probabilities={Kind.DRIVE: 0.4, Kind.SLICE: 0.4, Kind.OTHER: 0.2},
        load_s=contact_s - 0.4, forward_s=contact_s - 0.2, contact_s=contact_s,
        contact_s_sd=0.01, finish_s=contact_s + 0.3, heard=True, sure=sure,
    )  # fmt: skip


def ball_from(px: np.ndarray, at_s: float) -> BallTrack:
    """A ball in the picture that turns at a place and time, and flies off to the right."""
    nothing = np.full(3, np.nan)

    def end(kind, time_s, place):
        return Break(
            kind=kind, time_s=time_s, time_s_sd=0.002, px=place, place_m=nothing,
            covariance_m2=np.full((3, 3), np.nan),
        )  # fmt: skip

    flight = Flight(
        start=end(BreakKind.TURN, at_s, px),
        end=end(BreakKind.END, at_s + 0.5, px + np.array([400, 0])),
        rows=np.arange(6), anchor_s=at_s, position_m=nothing, velocity_mps=nothing,
        rim_mps=nothing, covariance=np.full((9, 9), np.nan),
        curve_px=np.array([px, [800, 0], [0, 0], [0, 0]], float), rms=1.0,
    )  # fmt: skip
    return BallTrack(
        number=1, flights=(flight,), parameters=np.empty(0), covariance=np.empty((0, 0))
    )


@pytest.fixture
def two_people(tmp_path):
    time = np.arange(360) / 60
    left = standing(360, centre_px=(200.0, 400.0))
    return parts_of(tmp_path / "t", track(standing(360), time), track(left, time, person=1))


def confirmed(parts, strokes, tracks, court=None):
    return list(all_of(parts, strokes, tracks, court).strokes)


def all_of(parts, strokes, tracks, court=None, **how):
    return confirm(
        footage(), parts, strokes, tracks, court=court or Court(), settings=StrokeSettings(),
        sight=SightSettings(), ball=BallTrackSettings(), **how,
    )  # fmt: skip


def test_an_unsure_stroke_counts_only_when_a_ball_leaves_the_hand(two_people):
    doubtful = stroke(sure=False)
    assert confirmed(two_people, [doubtful], []) == []
    near, far = WRIST_PX[0] + [30, 0], WRIST_PX[0] + [0.6 * HEIGHT_PX, 0]
    (kept,) = confirmed(two_people, [doubtful], [ball_from(near, 3.0)])
    assert kept.sure
    assert confirmed(two_people, [doubtful], [ball_from(far, 3.0)]) == []
    assert confirmed(two_people, [doubtful], [ball_from(near, 3.4)]) == []


@pytest.mark.parametrize(
    ("late_s", "beside_px", "kept"), [(0.2, 0, True), (0.2, 320, False), (0.3, 0, False)]
)
def test_a_ball_that_the_body_hid_at_first_is_followed_back_to_the_hand(
    two_people, late_s, beside_px, kept
):
    """It flies to the right at 800 pixels a second, so it is first seen 160 or 240 px away."""
    seen_at = WRIST_PX[0] + [800 * late_s, beside_px]
    ball = ball_from(seen_at, 3.0 + late_s)
    (flight,) = ball.flights
    start = replace(flight.start, kind=BreakKind.START)
    hidden = replace(ball, flights=(replace(flight, start=start),))
    np.testing.assert_allclose(
        leaving_px(hidden.flights[0], 3.0), WRIST_PX[0] + [0, beside_px], atol=1e-9
    )
    assert len(confirmed(two_people, [stroke(sure=False)], [hidden])) == kept


def test_the_ball_names_the_owner_of_an_impact_against_the_stronger_swing(two_people):
    rivals = [stroke(1, person=0), stroke(2, person=1, sure=False)]
    (kept,) = confirmed(two_people, rivals, [ball_from(WRIST_PX[1] + [20, 10], 3.0)])
    assert (kept.person, kept.number) == (1, 1)
    (kept,) = confirmed(two_people, rivals, [])
    assert kept.person == 0


def test_one_ball_is_hit_by_one_player_though_no_sound_was_heard(two_people):
    silent = [replace(stroke(k + 1, person=k), heard=False) for k in (0, 1)]
    between = (WRIST_PX[0] + 2 * WRIST_PX[1]) / 3
    balls = [ball_from(WRIST_PX[1] + [10, 0], 3.0), ball_from(WRIST_PX[0] + [40, 0], 3.01)]
    (kept,) = confirmed(two_people, silent, balls)
    assert kept.person == 1
    assert len(confirmed(two_people, silent, [ball_from(between, 3.0)])) == 2


@pytest.mark.parametrize(
    ("held", "owner"),
    [((None, None), 1), ((True, None), 0), ((True, True), 1), ((None, False), 0)],
)
def test_the_paddle_at_a_ball_owns_it_before_the_nearer_wrist(two_people, held, owner):
    between = (WRIST_PX[0] + 2 * WRIST_PX[1]) / 3
    balls = [ball_from(WRIST_PX[1] + [10, 0], 3.0), ball_from(WRIST_PX[0] + [40, 0], 3.01)]
    rivals = [stroke(1), stroke(2, person=1)]
    asked = []

    def holding(stroke, struck):
        asked.append(stroke.person)
        assert np.linalg.norm(struck.px - between) < HEIGHT_PX
        return held[stroke.person]

    (kept,) = all_of(two_people, rivals, balls, holding=holding).strokes
    assert kept.person == owner
    assert sorted(asked) == [0, 1]
    asked.clear()
    all_of(two_people, rivals[:1], balls, holding=holding)
    assert asked == []  # nobody else claims it


def test_a_stroke_at_a_time_when_its_player_is_not_seen_stays_as_it_is(two_people):
    unseen, ball = stroke(contact_s=30.0), ball_from(WRIST_PX[0], 30.0)
    assert confirmed(two_people, [unseen], [ball], level_court()) == [unseen]


def test_two_balls_far_apart_are_hit_by_two_players_at_once(tmp_path):
    time, court = np.arange(360) / 60, level_court()
    near, far = standing(360), standing(360, centre_px=(200.0, 400.0), height_px=120.0)
    parts = parts_of(tmp_path / "t", track(near, time), track(far, time, person=1))
    balls = []
    for points in (near, far):
        feet = points[0][[27, 28]].mean(axis=0)
        place, _ = court.at(3.0).ground(feet, height_m=0.13)
        ball = hit_at([place[0] + 0.3, place[1] + 0.2, 1.0])
        wrist = points[0][LANDMARKS.index("right_wrist")]
        start = replace(ball.flights[0].start, px=wrist + [10, 0])
        balls.append(replace(ball, flights=(replace(ball.flights[0], start=start),)))
    both = [stroke(1), stroke(2, person=1)]
    assert len(confirmed(parts, both, balls, court)) == 2
    at_one_place = replace(balls[0].flights[0].start, px=balls[1].flights[0].start.px)
    balls[1] = replace(balls[1], flights=(replace(balls[1].flights[0], start=at_one_place),))
    assert len(confirmed(parts, both, balls, court)) == 1


def test_sure_strokes_stay_without_a_ball_and_are_numbered_in_order(two_people):
    later = stroke(1, contact_s=4.5)
    kept = confirmed(two_people, [later, stroke(2, contact_s=2.0)], [])
    assert [(s.number, s.contact_s) for s in kept] == [(1, 2.0), (2, 4.5)]


@pytest.mark.parametrize(
    ("heard", "hit_s", "expected_s"),
    [(False, 3.4, 3.4), (False, 3.7, 3.0), (True, 3.2, 3.2), (True, 3.4, 3.0), (True, 3.05, 3.0)],
)
def test_a_stroke_is_moved_to_where_a_ball_turns_at_its_hand(two_people, heard, hit_s, expected_s):
    vague = replace(stroke(contact_s=3.0), heard=heard)
    (kept,) = confirmed(two_people, [vague], [ball_from(WRIST_PX[0] + [30, 0], hit_s)])
    assert kept.contact_s == pytest.approx(expected_s)
    assert kept.load_s <= kept.contact_s <= kept.finish_s
    (kept,) = confirmed(two_people, [vague], [ball_from(WRIST_PX[1], hit_s)])
    assert kept.contact_s == 3.0


@pytest.mark.parametrize(("balls", "kept"), [(5, 5), (2, 6)])
def test_a_swing_without_sound_and_ball_is_practice_where_balls_are_seen(two_people, balls, kept):
    heard = [stroke(k + 1, contact_s=1.0 + 0.7 * k) for k in range(5)]
    silent = replace(stroke(6, contact_s=4.9), heard=False)
    seen = [ball_from(WRIST_PX[0] + [30, 0], s.contact_s) for s in heard[:balls]]
    assert len(confirmed(two_people, [*heard, silent], seen)) == kept


@pytest.mark.parametrize(("balls", "silent_balls", "kept"), [(5, 0, 5), (4, 0, 6), (4, 4, 8)])
def test_a_sound_without_a_ball_is_another_court_s_where_nearly_all_balls_are_seen(
    two_people, balls, silent_balls, kept
):
    heard = [stroke(k + 1, contact_s=0.6 + 0.5 * k) for k in range(6)]
    others = [
        replace(stroke(7 + k, contact_s=3.8 + 0.5 * k, sure=False), heard=False)
        for k in range(silent_balls)
    ]
    struck = [*heard[:balls], *others]
    seen = [ball_from(WRIST_PX[0] + [30, 0], s.contact_s) for s in struck]
    assert len(confirmed(two_people, [*heard, *others], seen)) == kept


def hit_at(place_m, *, sd_m: float = 0.1) -> BallTrack:
    """A ball hit beside the wrist at 3 s, at a place on the court."""
    ball = ball_from(WRIST_PX[0] + [20, 0], 3.0)
    start = replace(
        ball.flights[0].start, kind=BreakKind.HIT, covariance_m2=np.eye(3) * sd_m**2,
        place_m=np.asarray(place_m, float),
    )  # fmt: skip
    return replace(ball, flights=(replace(ball.flights[0], start=start),))


def test_the_start_of_a_track_is_a_hit_too_where_it_is_well_placed(two_people):
    court = level_court()
    place, _ = court.at(3.0).ground(standing(1)[0][[27, 28]].mean(axis=0), height_m=0.13)
    for sd_m, kept in ((0.1, False), (1.2, True)):
        ball = hit_at([place[0] + 0.3, place[1] + 3.0, 1.0], sd_m=sd_m)
        start = replace(ball.flights[0].start, kind=BreakKind.START)
        ball = replace(ball, flights=(replace(ball.flights[0], start=start),))
        assert len(confirmed(two_people, [stroke()], [ball], court)) == kept


@pytest.mark.parametrize(("deeper_m", "kept"), [(0.3, True), (3.0, False), (-3.0, False)])
def test_a_ball_hit_out_of_reach_on_the_court_is_somebody_else_s(two_people, deeper_m, kept):
    court = level_court()
    ankles = standing(1)[0][[27, 28]].mean(axis=0)
    place, _ = court.at(3.0).ground(ankles, height_m=0.13)
    ball = hit_at([place[0] + 0.4, place[1] + deeper_m, 1.0])
    found = all_of(two_people, [stroke(contact_s=3.0)], [ball], court)
    assert len(found.strokes) == kept
    assert found.hidden_s == (() if kept else (3.0,))
    assert len(confirmed(two_people, [stroke(contact_s=3.0)], [ball])) == 1
    shown = [stroke(contact_s=3.0), stroke(2, person=1, contact_s=3.1)]
    assert all_of(two_people, shown, [ball], court).hidden_s == ()


def struck_at_reach(face_mps: float) -> tuple[BallTrack, BallAtHit]:
    """A ball hit within reach on the court, by a face of some speed."""
    place, _ = level_court().at(3.0).ground(standing(1)[0][[27, 28]].mean(axis=0), height_m=0.13)
    restitution, before = 0.42, 6.0
    struck = BallAtHit(
        incoming_mps=np.array([0, -before, 0]),
        outgoing_mps=np.array([0, face_mps + restitution * (face_mps + before), 0]),
        covariance=np.eye(3),
    )
    assert struck.face_speed_mps == pytest.approx(face_mps)
    return hit_at([place[0] + 0.4, place[1] + 0.3, 1.0]), struck


@pytest.mark.parametrize(("face_mps", "kept"), [(0.0, True), (9.0, False)])
def test_a_hand_that_stands_still_sends_no_fast_ball(two_people, monkeypatch, face_mps, kept):
    ball, struck = struck_at_reach(face_mps)
    monkeypatch.setattr(watching, "ball_at_hit", lambda *_, **__: struck)
    found = confirmed(two_people, [stroke(contact_s=3.0)], [ball], level_court())
    assert len(found) == kept


@pytest.mark.parametrize(
    ("hand_mps", "held", "kept"),
    [(3.0, False, False), (3.0, None, True), (3.0, True, True), (6.0, False, True)],
)
def test_a_slow_hand_whose_paddle_is_elsewhere_did_not_hit(
    two_people, monkeypatch, hand_mps, held, kept
):
    ball, struck = struck_at_reach(9.0)
    monkeypatch.setattr(watching, "ball_at_hit", lambda *_, **__: struck)
    monkeypatch.setattr(watching.Scene, "_hand_mps", lambda *_: hand_mps)
    found = all_of(
        two_people, [stroke(contact_s=3.0)], [ball], level_court(), holding=lambda *_: held
    )
    assert len(found.strokes) == kept
    assert found.hidden_s == (() if kept else (3.0,))


def test_a_stretch_of_candidates_keeps_what_belongs_to_it():
    time = np.array([0.0, 0.1, 0.1, 0.2, 0.3])
    seen = Candidates(
        frame=np.array([0, 1, 1, 2, 3]), time_s=time, px=np.arange(10.0).reshape(5, 2),
        sd_px=np.ones(5), score=np.ones(5), streak_px=np.full((5, 2), np.nan),
        frame_time_s=np.array([0.0, 0.1, 0.2, 0.3]), steadied=True,
    )  # fmt: skip
    part = seen.between(0.05, 0.25)
    assert part.frame.tolist() == [1, 1, 2]
    assert part.frame_time_s.tolist() == [0.1, 0.2]
    assert part.steadied


def frame(index: int) -> Frame:
    return Frame(
        index=index, time_s=index / 120, picture_bgr=np.zeros((2, 2, 3), np.uint8), repeat=False
    )


@pytest.mark.parametrize(("fps", "every"), [(30, 1), (60, 2), (120, 3), (240, 6)])
def test_no_more_frames_a_second_than_asked_for(fps, every):
    info = replace(footage(), capture_rate=Fraction(fps))
    kept = [f.index for f in _thinned(map(frame, range(5, 29)), info, 40.0)]
    assert kept == [k for k in range(5, 29) if k % every == 0]


def turns(shoulder_deg: np.ndarray, time_s: np.ndarray) -> Turns:
    """Shoulders in the court frame, and hips that go along with six tenths of their turn."""
    n = len(time_s)
    heading = np.radians(shoulder_deg)
    hip = np.pi / 2 + 0.6 * (heading - np.pi / 2)
    small = np.full(n, np.radians(3.0))
    sds = ("hip_sd_rad", "shoulder_sd_rad", "separation_sd_rad", "hip_rate_sd_radps")
    names = dict.fromkeys((*sds, "separation_rate_sd_radps"), small)
    return Turns(
        time_s=time_s, hip_rad=hip, shoulder_rad=heading, separation_rad=heading - hip,
        hip_rate_radps=np.zeros(n), separation_rate_radps=np.zeros(n), **names,
        direction=np.tile([0.0, 0.0, 1.0], (n, len(SEGMENTS), 1)),
        direction_sd_rad=np.full((n, len(SEGMENTS)), 0.1), facing_odds=np.ones(n),
        correlation_s=0.2, frame=FrameOfReference.COURT,
    )  # fmt: skip


def body(shoulder_deg: np.ndarray, time_s: np.ndarray, hand: Handedness) -> BodyView:
    return BodyView(
        stroke=stroke(hand=hand), turns=turns(shoulder_deg, time_s), path=None, slow_factor=1.0,
        frame_interval_s=1 / 60,
    )  # fmt: skip


@pytest.mark.parametrize("unwinds", [True, False])
@pytest.mark.parametrize("hand", [Handedness.RIGHT, Handedness.LEFT])
@pytest.mark.parametrize("to_right", [True, False])
def test_the_side_to_which_the_shoulders_turn_is_the_side_of_the_stroke(hand, to_right, unwinds):
    time = np.arange(1.9, 3.5, 1 / 30)
    wound = np.clip((time - 2.2) / 0.4, 0, 1)
    if unwinds:
        wound = wound - np.clip((time - 2.75) / 0.25, 0, 1)
    heading = 90 + (-1 if to_right else 1) * 60 * wound
    judged = judged_side(body(heading, time, hand), unsure_below=0.65)
    forehand = to_right == (hand is Handedness.RIGHT)
    assert judged.side is (Side.FOREHAND if forehand else Side.BACKHAND)
    assert judged.side_probability > 0.95


def test_shoulders_that_do_not_turn_leave_the_side_open():
    time = np.arange(1.9, 3.5, 1 / 30)
    judged = judged_side(body(np.full(len(time), 90.0), time, Handedness.RIGHT), unsure_below=0.65)
    assert judged.side is Side.UNSURE


def taken(**values: tuple[float, float]) -> dict[str, Measure]:
    court = FrameOfReference.COURT
    return {
        n: Measure(name=n, value=v, sd=sd, unit="", frame=court) for n, (v, sd) in values.items()
    }


@pytest.mark.parametrize(
    ("path_deg", "face_deg", "ball_mps", "kind"),
    [
        (20, 8, 14, Kind.DRIVE),
        (-15, 22, 11, Kind.SLICE),
        (20, 8, 5, Kind.OTHER),
        (2, 15.5, 12, Kind.UNSURE),
    ],
)
def test_paddle_and_ball_in_space_tell_the_kind(path_deg, face_deg, ball_mps, kind):
    measures = taken(
        path_angle_deg=(path_deg, 3), face_angle_deg=(face_deg, 3),
        ball_launch_speed_mps=(ball_mps, 0.3),
    )  # fmt: skip
    time = np.arange(1.9, 3.5, 1 / 30)
    view = body(np.full(len(time), 90.0), time, Handedness.RIGHT)
    found, probabilities = judged_kind(view, measures, unsure_below=0.65)
    assert found is kind
    assert sum(probabilities.values()) == pytest.approx(1)


@pytest.mark.parametrize(
    ("backspin_mps", "kind"),
    [((5.0, 1.0), Kind.SLICE), ((-0.5, 0.6), Kind.DRIVE), ((2.5, 4.0), Kind.UNSURE)],
)
def test_the_balls_spin_tells_drive_from_slice(backspin_mps, kind):
    time = np.arange(1.9, 3.5, 1 / 30)
    view = body(np.full(len(time), 90.0), time, Handedness.RIGHT)
    measures = taken(ball_launch_speed_mps=(13, 0.3))
    found, _ = judged_kind(view, measures, backspin_mps=backspin_mps, unsure_below=0.65)
    assert found is kind


def paddle_at(px: tuple[float, float], time_s: np.ndarray) -> PaddleTrack:
    n = len(time_s)
    return PaddleTrack(
        frame=np.arange(n), time_s=time_s, score=np.ones(n), face=np.full((n, 3), 1 / 3),
        points_px=np.tile(np.array(px), (n, 5, 1)), sd_px=np.ones((n, 5)),
        visible=np.ones((n, 5)), hand_px=np.zeros((n, 2)),
    )  # fmt: skip


@pytest.mark.parametrize(("away_px", "met"), [(20, True), (110, False)])
@pytest.mark.parametrize("slow", [1.0, 4.0])
def test_a_paddle_far_from_the_struck_ball_is_anothers(away_px, met, slow):
    struck = {"px": np.array([400.0, 300.0]), "time_s": 3.0, "slow_factor": slow}
    time = slow * (3.0 + np.array([-0.02, 0.0, 0.02]))
    seen = paddle_at((400.0 + away_px, 300.0), time)
    assert meets_ball(seen, height_px=200.0, **struck) is met
    passing = replace(seen, points_px=seen.points_px + np.array([-400, 0, 400.0])[:, None, None])
    assert meets_ball(passing, height_px=200.0, **struck) is met
    late = replace(seen, time_s=time + 0.2 * slow)  # nothing was seen when the ball was struck
    assert meets_ball(late, height_px=200.0, **struck) is None
    assert meets_ball(seen, height_px=np.nan, **struck) is None


def test_without_a_measure_in_space_the_picture_decides():
    time = np.arange(1.9, 3.5, 1 / 30)
    view = body(np.full(len(time), 90.0), time, Handedness.RIGHT)
    picture = {Kind.DRIVE: 0.7, Kind.SLICE: 0.1, Kind.OTHER: 0.2}
    view = replace(view, stroke=replace(view.stroke, kind_probabilities=picture))
    kind, probabilities = judged_kind(view, {}, unsure_below=0.6)
    assert kind is Kind.DRIVE
    assert probabilities[Kind.OTHER] == pytest.approx(0.2)
    odds = probabilities[Kind.DRIVE] / probabilities[Kind.SLICE]
    assert odds == pytest.approx(7**0.75)


@pytest.mark.parametrize(
    ("side", "aslant_deg", "drive"),
    [
        (Side.FOREHAND, 10, 0.3), (Side.FOREHAND, 60, 0.73), (Side.BACKHAND, 60, 0.49),
        (Side.UNSURE, 35, 0.45),
    ],
)  # fmt: skip
def test_a_hand_seen_aslant_looks_as_if_it_fell(side, aslant_deg, drive):
    """Chances worked out by hand from logit 0.3 = −0.85."""
    time = np.arange(1.9, 3.5, 1 / 30)
    view = body(np.full(len(time), 90.0), time, Handedness.RIGHT)
    picture = {Kind.DRIVE: 0.3, Kind.SLICE: 0.7, Kind.OTHER: 0.0}
    view = replace(view, stroke=replace(view.stroke, side=side, kind_probabilities=picture))
    _, found = judged_kind(view, {}, aslant_rad=np.radians(aslant_deg), unsure_below=0.6)
    assert found[Kind.DRIVE] == pytest.approx(drive, abs=0.01)


def test_what_was_seen_comes_back_from_disk_and_a_broken_file_is_named(tmp_path):
    kept = CloserFolder(tmp_path)
    assert (kept.turns(1), kept.paddle(1), kept.balls(), kept.strokes()) == (None,) * 4
    time = np.arange(1.9, 3.5, 1 / 30)
    seen = turns(np.linspace(90, 30, len(time)), time)
    kept.write_turns(1, seen)
    np.testing.assert_array_equal(kept.turns(1).shoulder_rad, seen.shoulder_rad)
    kept.write_strokes([stroke()])
    assert kept.strokes() == [stroke()]
    assert kept.hidden_s() == []
    kept.write_hidden((3.25, 61.5))
    assert kept.hidden_s() == [3.25, 61.5]
    next(tmp_path.glob("*turns.npz")).write_bytes(b"half")
    with pytest.raises(StoreError, match="turns"):
        kept.turns(1)
