"""Grading on small tables whose grades can be worked out by hand."""

import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from scipy.stats import spearmanr

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.grade import default_quality, grade
from paddlebrief.rehearsal.true_measures import MEASURES


def table(folder, name, rows):
    folder.mkdir(exist_ok=True)
    pq.write_table(pa.Table.from_pylist(rows), folder / f"{name}.parquet")


def true_stroke(contact_s, *, player="Ana", side="forehand", kind="drive", **measures):
    return {
        "recording": "practice.mp4", "player": player, "side": side, "kind": kind,
        "contact_s": contact_s,
    } | dict.fromkeys(MEASURES, 1.0) | measures  # fmt: skip


def found_stroke(number, contact_s, *, player="Ana", side="forehand", kind="drive"):
    return {
        "recording": "practice.mp4", "number": number, "player": player, "side": side,
        "kind": kind, "contact_s": contact_s,
    }  # fmt: skip


@pytest.fixture
def folders(tmp_path):
    return tmp_path / "result", tmp_path / "truth"


def test_strokes_match_within_a_quarter_second_closest_first_and_once(folders):
    result, truth = folders
    table(truth, "strokes", [true_stroke(t) for t in (1.0, 1.2, 5.0, 9.0)])
    # 1.15 is closest to 1.2, so that 0.9 is left for 1.0; 5.3 is too far off.
    table(result, "strokes", [found_stroke(k, t) for k, t in enumerate((0.9, 1.15, 5.3), 1)])
    grades = grade(result, truth)
    assert grades["strokes"] == {
        "truth": 4, "found": 3, "matched": 2, "precision": pytest.approx(2 / 3), "recall": 0.5,
    }  # fmt: skip
    assert grades["contact_time_ms"]["median"] == pytest.approx(75)
    assert grades["contact_time_ms"]["p90"] == pytest.approx(95)


def test_sides_kinds_and_players_are_shares_of_the_matched(folders):
    result, truth = folders
    table(truth, "strokes", [
        true_stroke(1), true_stroke(2, kind="slice"), true_stroke(3, side="backhand"),
        true_stroke(4, player="Ben", kind="other"),
    ])  # fmt: skip
    table(result, "strokes", [
        found_stroke(1, 1), found_stroke(2, 2, kind="unsure"), found_stroke(3, 3, kind="slice"),
        found_stroke(4, 4, kind="other"),
    ])  # fmt: skip
    grades = grade(result, truth)
    assert grades["side_accuracy"] == 0.75
    assert grades["kind_accuracy"] == pytest.approx(2 / 3)
    assert grades["kind_unsure_share"] == 0.25
    assert grades["identity_accuracy"] == 0.75


def test_players_without_true_names_are_paired_as_fits_best(folders):
    result, truth = folders
    names = ["Ana", "Ana", "Ben", "Ben"]
    table(truth, "strokes", [true_stroke(k, player=n) for k, n in enumerate(names)])
    table(result, "strokes", [
        found_stroke(k, k, player=n) for k, n in enumerate(["B", "B", "A", "B"])
    ])  # fmt: skip
    assert grade(result, truth)["identity_accuracy"] == 0.75


def test_measures_are_graded_with_their_errors_coverage_and_gaps(folders):
    result, truth = folders
    table(truth, "strokes", [
        true_stroke(k, hip_turn_deg=float(v), landing_depth_m=float("nan"))
        for k, v in enumerate((10, 20, 30, 40))
    ])  # fmt: skip
    table(result, "strokes", [found_stroke(k, k) for k in range(4)])
    table(result, "measures", [
        {"recording": "practice.mp4", "number": k, "name": "hip_turn_deg", "value": v, "sd": 2.0}
        for k, v in ((0, 13.0), (1, 18.0), (2, 36.0), (3, float("nan")))
    ] + [{"recording": "practice.mp4", "number": 0, "name": "landing_depth_m", "value": 3.0,
          "sd": 1.0}])  # fmt: skip
    grades = grade(result, truth)["measures"]
    assert set(grades) == set(MEASURES)
    hip = grades["hip_turn_deg"]
    assert (hip["n"], hip["missing"], hip["unit"]) == (3, 1, "°")
    assert hip["median_abs_error"] == pytest.approx(3)
    assert hip["p90_abs_error"] == pytest.approx(np.quantile([3, 2, 6], 0.9))
    assert hip["bias"] == pytest.approx(7 / 3)
    # Of 3, 2 and 6 degrees, the first two lie inside 1.96 · 2.
    assert hip["coverage95"] == pytest.approx(2 / 3)
    # A stroke whose truth does not exist counts neither way.
    assert (grades["landing_depth_m"]["n"], grades["landing_depth_m"]["missing"]) == (0, 0)
    assert grades["arm_share"]["missing"] == 4
    assert grades["arm_share"]["bias"] is None


def test_ranking_is_compared_with_the_order_of_true_quality(folders):
    result, truth = folders
    quality = np.array([3.0, 1.0, 2.0, 6.0, 5.0, 4.0, 0.0])
    scores = np.array([3.5, 2.5, 1.0, 6.0, 2.0, 5.0, 0.5])
    table(truth, "strokes", [true_stroke(k, head_speed_mps=float(v))
                             for k, v in enumerate(quality)])  # fmt: skip
    table(result, "strokes", [found_stroke(k, k) for k in range(7)])
    table(result, "ranking", [
        {"recording": "practice.mp4", "number": k, "score": float(v)}
        for k, v in enumerate(scores)
    ])  # fmt: skip
    ranking = grade(result, truth, quality=lambda kind, m: m["head_speed_mps"])["ranking"]
    assert ranking["named"] == 0
    assert ranking["named_right"] is None
    assert ranking["spearman"] == pytest.approx(spearmanr(quality, scores).statistic)
    assert ranking["best3_overlap"] == pytest.approx(2 / 3)  # 3, 4, 5 against 3, 5, 0
    assert ranking["worst3_overlap"] == pytest.approx(2 / 3)  # 6, 1, 2 against 6, 2, 4


def test_named_strokes_are_right_on_their_side_of_the_middle(folders):
    result, truth = folders
    quality = np.array([3.0, 1.0, 2.0, 6.0, 5.0])
    named = [None, "worst", "best", "best", None]
    table(truth, "strokes", [true_stroke(k, head_speed_mps=float(v))
                             for k, v in enumerate(quality)])  # fmt: skip
    table(result, "strokes", [found_stroke(k, k) for k in range(5)])
    table(result, "ranking", [
        {"recording": "practice.mp4", "number": k, "score": 0.0, "named": n}
        for k, n in enumerate(named)
    ])  # fmt: skip
    ranking = grade(result, truth, quality=lambda kind, m: m["head_speed_mps"])["ranking"]
    assert ranking["named"] == 3
    assert ranking["named_right"] == pytest.approx(2 / 3)  # 2 lies below 3, the middle


def test_usual_quality_is_nought_inside_and_falls_outside_its_targets():
    quality = default_quality()
    inside = {
        "landing_depth_m": 1.5, "path_angle_deg": 15.0, "face_angle_deg": 2.0,
        "separation_at_load_deg": 35.0, "contact_front_m": 0.4, "elbow_height": -0.5,
        "wrist_lag_deg": 75.0, "follow_path_m": 1.2, "head_speed_mps": 9.5,
    }  # fmt: skip
    assert quality("drive", inside) == 0
    outside = quality("drive", inside | {"face_angle_deg": 13.0})
    assert outside == pytest.approx(-1 / 7.1)  # one tolerance off, weight 1 of 7.1
    assert np.isnan(quality("other", inside))


def test_resources_come_from_the_run(folders):
    result, truth = folders
    table(truth, "strokes", [true_stroke(1)])
    table(result, "strokes", [found_stroke(1, 1)])
    (result / "run.json").write_text(
        json.dumps({"wall_s": 30.0, "recording_s": 60.0, "peak_rss_mb": 800.0})
    )
    assert grade(result, truth)["resources"] == {
        "wall_s": 30.0, "recording_s": 60.0, "realtime_factor": 0.5, "peak_rss_mb": 800.0,
    }  # fmt: skip


def test_nothing_found_has_no_rates_and_is_still_json(folders):
    result, truth = folders
    table(truth, "strokes", [true_stroke(1)])
    pq.write_table(
        pa.Table.from_pylist([found_stroke(1, 1)]).slice(0, 0),
        _made(result) / "strokes.parquet",
    )
    grades = grade(result, truth)
    assert grades["strokes"]["recall"] == 0
    assert grades["strokes"]["precision"] is None
    assert grades["side_accuracy"] is None
    assert grades["resources"]["realtime_factor"] is None
    json.dumps(grades, allow_nan=False)


def _made(folder):
    folder.mkdir(exist_ok=True)
    return folder


def test_folders_that_are_none_get_one_clear_line(folders):
    result, truth = folders
    table(truth, "strokes", [true_stroke(1)])
    with pytest.raises(RehearsalError, match=r"strokes\.parquet: not a table") as caught:
        grade(result, truth)
    assert "\n" not in str(caught.value)
    table(result, "strokes", [{"recording": "practice.mp4"}])
    with pytest.raises(RehearsalError, match="columns are missing"):
        grade(result, truth)
