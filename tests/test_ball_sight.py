"""What hides a ball in the benchmark of rendered sessions, on geometry with known answers."""

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.benchmarks.ball_sight import _along, _bars, _beside, _dead, _net_bars

EYE = np.array([0.5, -10.0, 2.2])


def beyond_the_net(height_at_net_m: float, x_m: float = 1.0) -> np.ndarray:
    """A ball 5 m behind the net that is seen at a height over a place of the net."""
    at_net = np.array([x_m, 0.0, height_at_net_m])
    return EYE + 1.5 * (at_net - EYE)


@pytest.mark.parametrize(
    ("height_m", "x_m", "hidden"),
    [(0.86, 1.0, True), (0.80, 1.0, False), (0.95, 1.0, False), (0.5, 0.01, True),
     (0.5, 3.36, True), (0.86, 3.6, False)],
)  # fmt: skip
def test_tape_strap_and_posts_hide_and_the_mesh_does_not(height_m, x_m, hidden):
    assert _net_bars(EYE, beyond_the_net(height_m, x_m)) is hidden


def test_a_ball_on_the_cameras_side_is_not_behind_the_net():
    assert not _net_bars(EYE, np.array([1.0, -0.5, 0.86]))


def test_a_limb_hides_what_lies_behind_it_and_not_what_lies_before_it():
    limb = _along(np.array([[0.5, -5.0, 1.0]]), np.array([[0.5, -5.0, 1.8]]))
    radius = np.array([[0.05]])
    way = np.array([0.52, -5.0, 1.5]) - EYE
    assert _bars(limb, radius, EYE, EYE + 1.4 * way)
    assert not _bars(limb, radius, EYE, EYE + 0.8 * way)
    assert not _bars(limb, radius, EYE, EYE + 1.4 * way + [0.3, 0, 0])


def test_a_frame_counts_by_the_step_before_or_after_it():
    steps = np.array([False, True, False])
    assert _beside(steps, steps).tolist() == [False, True, True, False]


def test_a_ball_is_dead_from_its_second_bounce_until_it_is_hit_again(tmp_path):
    """The game's rules end a rally at the second bounce (common practice, no source)."""
    frame = np.array([*range(10), *range(20, 24)])
    time_s = frame / 10
    place = np.stack([0.1 * frame, 0 * frame, 1.0 + 0 * frame], axis=1)
    told = [("feed", 0.0), ("bounce", 0.24), ("other court", 0.3), ("bounce", 0.56),
            ("paddle", 0.83), ("bounce", 0.88), ("bounce", 2.05)]  # fmt: skip
    rows = [{"kind": k, "time_s": t, "place_m": [t, 0.0, 1.0]} for k, t in told]
    pq.write_table(pa.Table.from_pylist(rows), tmp_path / "impacts.parquet")
    dead = _dead(tmp_path, np.zeros(len(frame), int), frame, time_s, place)
    assert time_s[dead].tolist() == [0.6, 0.7, 0.8]


def test_bounces_far_from_a_ball_are_another_balls(tmp_path):
    frame = np.arange(8)
    place = np.tile([0.0, 0.0, 1.0], (8, 1))
    rows = [{"kind": "bounce", "time_s": t, "place_m": [3.0, 0.0, 0.04]} for t in (0.1, 0.3, 0.5)]
    pq.write_table(pa.Table.from_pylist(rows), tmp_path / "impacts.parquet")
    assert not _dead(tmp_path, np.zeros(8, int), frame, frame / 10, place).any()
