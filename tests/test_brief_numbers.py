"""Numbers on the page, against scipy and closed forms."""

from dataclasses import replace

import pytest
from scipy import constants, stats

from paddlebrief.brief.shown import COVERAGE, clock, homogeneity, median_range, show, unwrapped
from paddlebrief.records import FrameOfReference, Measure


def seconds(value: float, sd: float) -> Measure:
    return Measure(name="x", value=value, sd=sd, unit="s", frame=FrameOfReference.TIME)


def test_half_width_is_that_of_a_95_percent_interval():
    assert pytest.approx(stats.norm.ppf(0.975), abs=5e-5) == COVERAGE
    shown = show(seconds(1.0, 0.1), decimals=2, units="metric")
    assert (shown.value, shown.half_width) == ("1.00", "0.20")


@pytest.mark.parametrize(
    ("value", "sd", "decimals", "text"),
    [
        (0.4166, 0.0136, 2, "0.42 ± 0.03 s"),
        (0.4166, 0.0006, 1, "0.417 ± 0.001 s"),  # more decimals before "± 0.0"
        (-0.2, 1.0, 0, "0 ± 2 s"),  # no minus before nought
        (-1.6, 1.0, 0, "−2 ± 2 s"),
    ],
)
def test_printed_numbers(value, sd, decimals, text):
    assert (
        " ".join(show(seconds(value, sd), decimals=decimals, units="US").sentence.split()) == text
    )


@pytest.mark.parametrize(
    ("unit", "units", "expected"),
    [
        ("m/s", "metric", 10 / constants.kmh),
        ("m/s", "US", 10 / constants.mph),
        ("m", "US", 10 / constants.foot),
        ("m", "metric", 10),
        ("°", "US", 10),
    ],
)
def test_conversions_agree_with_scipy(unit, units, expected):
    measure = replace(seconds(10, 1), unit=unit)
    assert float(show(measure, decimals=3, units=units).value) == pytest.approx(expected, abs=5e-4)


def test_number_that_was_not_measured_cannot_be_shown():
    missing = Measure.missing("x", "s", FrameOfReference.TIME, "dark")
    with pytest.raises(ValueError, match="not measured: dark"):
        show(missing, decimals=1, units="metric")


@pytest.mark.parametrize(
    ("seconds_", "text"),
    [
        (0, "0:00.00"),
        (59.996, "1:00.00"),
        (75.5, "1:15.50"),
        (3600, "60:00.00"),
        (-0.3, "−0:00.30"),
    ],
)
def test_clock(seconds_, text):
    assert clock(seconds_) == text


@pytest.mark.parametrize("n", [6, 9, 20, 41, 100])
def test_median_range_agrees_with_scipy(n):
    values = stats.norm.rvs(size=n, random_state=n)
    middle, low, high = median_range(values)
    # scipy leaves at most 2.5 % outside on each side by the same binomial argument.
    expected = stats.quantile_test(values, p=0.5).confidence_interval(0.95)
    assert (low, high) == pytest.approx((expected.low, expected.high))
    assert low <= middle <= high


def test_median_range_needs_six_values():
    assert median_range([1.0, 2.0, 3.0, 4.0, 5.0]) is None
    assert median_range([]) is None


def test_homogeneity_of_two_values():
    # Two values 2 apart, each with sd 1: Q = 2 on one degree of freedom, p = 0.1573.
    q, p = homogeneity([-1.0, 1.0], [1.0, 1.0])
    assert (q, p) == pytest.approx((2.0, 0.1573), abs=5e-5)
    with pytest.raises(ValueError, match="two values"):
        homogeneity([1.0], [1.0])


def test_repeating_values_are_set_side_by_side():
    assert unwrapped([87.0, -87.0], 180) == pytest.approx([87, 93])
    assert unwrapped([10.0, 20.0], 180) == pytest.approx([10, 20])
    assert unwrapped([87.0, -87.0], None) == [87.0, -87.0]
    assert unwrapped([], 180) == []
    tilts = [80.0, -70.0, -85.0, 60.0]
    middle = sum(unwrapped(tilts, 180)) / 4
    assert middle == pytest.approx(stats.circmean(tilts, high=180), abs=3)
