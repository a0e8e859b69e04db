"""Scores of a group of strokes, and the covariance of their errors."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from paddlebrief.records import FrameOfReference, Measure, MeasuredStroke
from paddlebrief.scoring import Target, applied, compared, scored
from tests.test_mechanics import stroke

COURT = FrameOfReference.COURT
RISE = Target(measure="rise", low=0, high=20, tolerance=10, weight=3)
LENGTH = Target(measure="length", low=0.5, tolerance=0.1, weight=1)


def one(number: int = 1, *, recording: str = "practice.mp4", **taken) -> MeasuredStroke:
    """A stroke with measures by name, each a value, sd and shared sd."""
    return MeasuredStroke(
        recording=recording,
        stroke=replace(stroke(), number=number),
        measures=tuple(
            Measure(name=n, value=v, sd=s, shared_sd=c, unit="", frame=COURT)
            for n, (v, s, c) in taken.items()
        ),
    )


def scores(*group, targets=(RISE, LENGTH), share=0.2):
    return scored(group, targets, min_weight_share=share)


def test_score_is_the_weighted_mean_of_tolerances_outside():
    found = scores(one(rise=(-20, 1, 0), length=(0.3, 0.02, 0)))
    assert found.value == pytest.approx([-(3 * 2 + 1 * 2) / 4])
    # So far outside that no clipping is left: plain addition in quadrature.
    assert found.sd == pytest.approx([np.hypot(3 * 1 / 10, 0.02 / 0.1) / 4], rel=1e-4)
    assert found.own_sd == pytest.approx(found.sd)


def test_no_value_inside_a_range_is_better_than_another():
    assert [scores(one(rise=(a, 1, 0))).value[0] for a in (5, 10, 15)] == [0, 0, 0]


@pytest.mark.parametrize("value", [-14.0, -1.0, 0.5, 10.0, 19.0, 26.0])
def test_uncertainty_is_that_of_the_distance_from_the_range(value):
    """By scipy's numerical integration over the normal distribution."""
    density = norm(value, 6).pdf
    ends = (value - 60, 0, 20, value + 60)

    def moment(power: int) -> float:
        return sum(
            quad(lambda x: max(-x, x - 20, 0) ** power * density(x), a, b, limit=200)[0]
            for a, b in pairwise(ends)
        )

    found = scores(one(rise=(value, 6, 0)), targets=[RISE])
    assert found.sd[0] * 10 == pytest.approx(np.sqrt(moment(2) - moment(1) ** 2), rel=1e-4)


def test_a_stand_in_takes_its_place_for_all_strokes_or_for_none():
    flat = Target(measure="flat", low=0, tolerance=10, instead_of="rise")
    both, lacking = one(rise=(-10, 1, 0), flat=(-30, 1, 0)), one(flat=(-30, 1, 0))
    assert applied(lacking, [RISE, flat])[0][0] == flat
    assert compared([both, both, lacking], [RISE, flat]) == [RISE]
    assert compared([both, lacking, lacking], [RISE, flat]) == [flat]
    assert scores(both, lacking, lacking, targets=[RISE, flat]).value == pytest.approx([-3, -3, -3])


def test_what_was_not_seen_neither_helps_nor_harms():
    full = [one(n, rise=(10, 1, 0), length=(v, 0.02, 0)) for n, v in ((1, 0.2), (2, 0.4), (3, 0.3))]
    found = scores(*full, one(4, rise=(10, 1, 0)))
    assert found.value[3] == pytest.approx(found.value[:3].mean())
    assert found.sd[3] == pytest.approx(np.std([3, 1, 2], ddof=1) / 4, rel=0.02)
    assert found.own_sd[3] == pytest.approx(found.sd[3])


def test_too_little_measured_is_not_scored():
    assert scores(one(length=(0.2, 0.1, 0)), share=0.5).strokes == ()
    assert scores(one(other=(0.2, 0.1, 0))).strokes == ()
    assert scores().value.shape == (0,)


def test_shared_errors_are_common_to_strokes_of_one_recording_only():
    group = [one(n, recording=r, rise=(-30, 5, 4)) for n, r in ((1, "a"), (2, "a"), (3, "b"))]
    found = scores(*group, targets=[RISE])
    assert found.covariance * 100 == pytest.approx(
        np.array([[25, 16, 0], [16, 25, 0], [0, 0, 25]]), rel=0.01
    )
    assert found.own_sd * 10 == pytest.approx([3, 3, 3], rel=0.01)


@pytest.mark.parametrize("places", [(-25, -12), (-6, -2), (-3, 22), (10, -15)])
def test_covariance_against_monte_carlo(places):
    """Errors drawn as stated; the difference of two scores must not err further than stated."""
    rng = np.random.default_rng(4)
    sd, shared = 5.0, 3.5
    found = scores(*(one(n, rise=(v, sd, shared)) for n, v in enumerate(places)), targets=[RISE])
    errors = np.sqrt(sd**2 - shared**2) * rng.standard_normal((200_000, 2))
    drawn = np.array(places) + errors + shared * rng.standard_normal((200_000, 1))
    away = np.maximum(np.maximum(-drawn, drawn - 20), 0) / 10
    assert found.sd == pytest.approx(away.std(axis=0), rel=0.02)
    difference = np.sqrt(np.array([1, -1]) @ found.covariance @ [1, -1])
    true = np.diff(away).std()
    assert difference == pytest.approx(true, rel=0.02)
