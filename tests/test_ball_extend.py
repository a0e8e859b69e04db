"""Sure tracks that take in weak candidates: only where physics leads, and all that is there."""

from dataclasses import replace

import numpy as np
import pytest

from paddlebrief.ball import BallTrackSettings, BreakKind, track_balls
from tests.ball_scenes import Scene, SceneSpec, make_scene

SETTINGS = BallTrackSettings()
WEAK = 0.2


@pytest.fixture(scope="module")
def scene() -> Scene:
    spec = SceneSpec(place="side", shots=2, false_per_frame=0.5, movers=0, seed=5)
    return make_scene(spec)


def between_bounce_and_contact(scene: Scene) -> np.ndarray:
    """(n,) rows of the balls on their last few feet to the paddle."""
    time, chosen = scene.candidates.time_s, np.zeros(len(scene.candidates), bool)
    for number, shot in enumerate(scene.shots):
        bounce = max(e.time_s for e in shot.incoming.events if e.time_s < shot.contact_s)
        chosen |= (scene.ball == number) & (time > bounce) & (time < shot.contact_s)
    return np.flatnonzero(chosen)


def tracked(scene: Scene, weak: np.ndarray, settings: BallTrackSettings = SETTINGS):
    """Tracks, and the rows in them, where some rows have a low score."""
    score = np.ones(len(scene.candidates))
    score[weak] = WEAK
    candidates = replace(scene.candidates, score=score)
    tracks = track_balls(candidates, camera=scene.eye, width_px=1920, settings=settings)
    rows = [f.rows for t in tracks for f in t.flights]
    return tracks, np.concatenate([np.empty(0, int), *rows])


def test_a_weakly_seen_flight_after_a_bounce_is_found_from_the_sure_one_before(scene):
    weak = between_bounce_and_contact(scene)
    assert len(weak) >= 20
    tracks, rows = tracked(scene, weak)
    assert np.isin(weak, rows).mean() > 0.8
    assert (scene.ball[rows] >= 0).mean() > 0.98
    bounces = [b.time_s for t in tracks for b in t.breaks if b.kind is BreakKind.BOUNCE]
    for shot in scene.shots:
        true = max(e.time_s for e in shot.incoming.events if e.time_s < shot.contact_s)
        assert np.abs(np.array(bounces) - true).min() < 0.01
    hits = [b.time_s for t in tracks for b in t.breaks if b.kind is BreakKind.HIT]
    for shot in scene.shots:
        assert np.abs(np.array(hits) - shot.contact_s).min() < 0.01


def test_without_weak_candidates_that_flight_is_missing(scene):
    weak = between_bounce_and_contact(scene)
    _, rows = tracked(scene, weak, SETTINGS.model_copy(update={"weak_score": 0.35}))
    assert not np.isin(weak, rows).any()


def test_a_weakly_seen_flight_before_a_bounce_is_found_from_the_sure_one_after(scene):
    time, weak = scene.candidates.time_s, np.zeros(len(scene.candidates), bool)
    for number, shot in enumerate(scene.shots):
        bounce = max(e.time_s for e in shot.incoming.events if e.time_s < shot.contact_s)
        weak |= (scene.ball == number) & (time < bounce)
    tracks, rows = tracked(scene, np.flatnonzero(weak))
    bounces = [b.time_s for t in tracks for b in t.breaks if b.kind is BreakKind.BOUNCE]
    last = weak & (np.abs(time[:, None] - np.array(bounces) + 0.2) < 0.2).any(axis=1)
    assert np.isin(np.flatnonzero(last), rows).mean() > 0.8
    assert (scene.ball[rows] >= 0).mean() > 0.98


def test_single_weak_candidates_within_a_flight_are_taken_in_and_others_left(scene):
    rng = np.random.default_rng(2)
    weak = np.flatnonzero((scene.ball < 0) | (rng.uniform(size=len(scene.ball)) < 0.3))
    _, rows = tracked(scene, weak)
    ball = scene.ball[rows] >= 0
    assert ball.mean() > 0.98
    own = weak[scene.ball[weak] >= 0]
    assert np.isin(own, rows).mean() > 0.8


def test_weak_candidates_alone_make_no_track(scene):
    tracks, _ = tracked(scene, np.arange(len(scene.candidates)))
    assert tracks == []
