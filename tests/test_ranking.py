"""Ranking on strokes whose place is known."""

from dataclasses import replace

import numpy as np
import pytest

from paddlebrief.errors import SettingsError
from paddlebrief.ranking import RankingSettings, Target, load_targets, rank, score
from paddlebrief.records import FrameOfReference, Kind, Measure, MeasuredStroke
from tests.test_mechanics import stroke

BOOK = load_targets()


def measured(number: int, *, path_deg: float, follow: float = 0.6, sd=1.0, kind=Kind.DRIVE):
    taken = {"path_angle_image_deg": (path_deg, sd, "°"), "follow_path_image": (follow, 0.02, "bh"),
             "contact_height_image": (0.1, 0.02, "bh"),
             "elbow_height_image": (-0.5, 0.05, "")}  # fmt: skip
    return MeasuredStroke(
        recording="practice.mp4",
        stroke=replace(stroke(), number=number, kind=kind),
        measures=tuple(
            Measure(name=n, value=v, sd=s, unit=u, frame=FrameOfReference.IMAGE)
            for n, (v, s, u) in taken.items()
        ),
    )


def test_strokes_further_outside_the_targets_rank_lower():
    angles = [20, -40, 10, -10, 70, 30]
    strokes = [measured(i + 1, path_deg=a) for i, a in enumerate(angles)]
    (ranking,) = rank(strokes, book=BOOK, settings=RankingSettings())
    worst = [r.stroke.stroke.number for r in ranking.worst]
    assert worst == [2, 5, 4]
    assert {r.stroke.stroke.number for r in ranking.best} == {1, 3, 6}
    assert "comes down into the ball" in ranking.worst[0].reasons[0]
    assert [r.score for r in ranking.order] == sorted(
        (r.score for r in ranking.order), reverse=True
    )


def test_score_is_the_weighted_mean_of_tolerances_outside():
    targets = [
        Target(measure="path_angle_image_deg", low=0, tolerance=10, weight=3),
        Target(measure="follow_path_image", low=0.5, tolerance=0.1, weight=1),
    ]
    value, sd = score(measured(1, path_deg=-20, follow=0.3), targets, min_weight_share=0.5)
    assert value == pytest.approx(-(3 * 2 + 1 * 2) / 4)
    assert sd == pytest.approx(np.hypot(3 * 1 / 10, 0.02 / 0.1) / 4)


def test_no_value_inside_a_range_is_better_than_another():
    scores = {
        score(measured(1, path_deg=a), BOOK.targets[Kind.DRIVE], min_weight_share=0.2)[0]
        for a in (5, 20, 45)
    }
    assert scores == {0.0}


def test_a_stand_in_counts_only_without_the_measure_in_space():
    targets = [
        Target(measure="path_angle_deg", low=0, tolerance=10),
        Target(measure="path_angle_image_deg", low=0, tolerance=10, instead_of="path_angle_deg"),
    ]
    plain = measured(1, path_deg=-20)
    assert score(plain, targets, min_weight_share=0.5)[0] == pytest.approx(-2)
    court = FrameOfReference.COURT
    taken = Measure(name="path_angle_deg", value=-10, sd=1, unit="°", frame=court)
    both = replace(plain, measures=(*plain.measures, taken))
    assert score(both, targets, min_weight_share=0.5)[0] == pytest.approx(-1)


def test_too_few_and_too_close_are_not_ranked():
    few = rank([measured(i, path_deg=a) for i, a in ((1, -50), (2, 0))], book=BOOK,
               settings=RankingSettings())[0]  # fmt: skip
    assert (few.best, few.worst) == ((), ())
    assert "4 are needed" in few.note
    close = [measured(i, path_deg=a, sd=15) for i, a in enumerate((-3, -4, -5, -6))]
    (ranking,) = rank(close, book=BOOK, settings=RankingSettings())
    assert "less than their uncertainty" in ranking.note
    assert ranking.worst == ()


def test_a_kind_without_targets_is_not_ranked_and_missing_measures_do_not_score():
    (ranking,) = rank([measured(1, path_deg=0, kind=Kind.OTHER)], book=BOOK,
                      settings=RankingSettings())  # fmt: skip
    assert "no targets" in ranking.note
    bare = replace(measured(1, path_deg=0), measures=())
    assert np.isnan(score(bare, BOOK.targets[Kind.DRIVE], min_weight_share=0.5)).all()


def test_no_strokes_no_rankings():
    assert rank([], book=BOOK, settings=RankingSettings()) == []


def test_bad_targets_are_one_clear_error(tmp_path):
    file = tmp_path / "targets.yaml"
    file.write_text(
        "targets:\n  drive:\n    - measure: x\n      low: 3\n      high: 1\n      tolerance: 1\n"
    )
    with pytest.raises(SettingsError, match="expected low < high"):
        load_targets(file)
