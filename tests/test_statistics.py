"""Estimates against published values, other packages and simulated samples."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import quad
from scipy.stats import chi2, norm

from paddlebrief.statistics import (
    bootstrap_interval,
    chances_above_middle,
    clipped_moments,
    hedges_g,
    median_with_sd,
    minimal_detectable_change,
    small_sample_factor,
    spread_test,
    typical_error,
)


@pytest.mark.parametrize(
    ("freedom", "exact"), [(5, 0.84075), (10, 0.92275), (18, 0.95765), (10_000, 0.999925)]
)
def test_small_sample_factor(freedom, exact):
    # Worked out from Hedges' gamma-function formula; the last from 1 − 3/(4ν − 1).
    assert small_sample_factor(freedom) == pytest.approx(exact, abs=6e-6)


def test_hedges_g_against_pingouin():
    # pingouin.compute_effsize([1,2,3,4], [3,4,5,6,7], eftype="hedges") gives −1.518067, with the
    # approximate factor 1 − 3/(4ν − 1) in place of the exact one.
    approximate = 1 - 3 / (4 * 7 - 1)
    expected = -1.518067 / approximate * small_sample_factor(7)
    assert hedges_g([1, 2, 3, 4], [3, 4, 5, 6, 7]) == pytest.approx(expected, abs=1e-6)


def test_hedges_g_is_unbiased():
    # What Hedges' factor is for: the mean over samples is the population's difference of 0.8.
    rng = np.random.default_rng(1)
    g = hedges_g(rng.normal(0.8, 1, (100_000, 5)), rng.normal(0, 1, (100_000, 4)))
    assert np.mean(g) == pytest.approx(0.8, abs=4 * np.std(g) / np.sqrt(len(g)))


def test_hedges_g_without_any_spread_is_missing():
    assert np.isnan(hedges_g([1, 1, 1], [2, 2, 2]))


def test_minimal_detectable_change():
    # 2.77 · SEM, Weir 2005.
    assert minimal_detectable_change(2.0) == pytest.approx(2 * 2.77, abs=0.01)
    assert np.isnan(minimal_detectable_change(np.nan))


def test_typical_error_is_the_residual_of_an_analysis_of_variance():
    groups = [[1.0, 2.0, 4.0], [10.0, 11.5], [7.0], [3.0, 3.0, 5.0, 9.0]]
    error, sd = typical_error(groups)
    # F = mean square between / mean square within, scipy.stats.f_oneway.
    every = np.concatenate(groups)
    between = sum(len(g) * (np.mean(g) - np.mean(every)) ** 2 for g in groups) / 3
    assert error**2 == pytest.approx(between / stats.f_oneway(*groups).statistic)
    assert sd == pytest.approx(error / np.sqrt(2 * 6))


def test_typical_error_of_single_strokes_is_missing():
    assert np.isnan(typical_error([[1.0], [2.0]])).all()
    assert np.isnan(typical_error([])).all()


def test_uncertainty_of_one_stroke_or_of_equal_ones_is_that_of_the_measurement():
    assert median_with_sd([5.0], [0.7]) == (5.0, 0.7)
    assert median_with_sd([5.0, 5.0], [0.6, 0.8])[1] == pytest.approx(0.5)


@pytest.mark.parametrize("strokes", [2, 3, 4, 25])
def test_uncertainty_of_a_median_of_normal_strokes(strokes):
    rng = np.random.default_rng(2)
    samples = rng.normal(30, 4, (4000, strokes))
    medians, sds = np.array([median_with_sd(s, np.full(strokes, 1e-9)) for s in samples]).T
    stated = np.sqrt(np.mean(sds**2))
    # Never too small, and at most 15 % too large: the ratio for four normal values,
    # √(π/2) / 1.092 (from memory).
    assert 0.95 * np.std(medians) < stated < 1.2 * np.std(medians)


def test_a_median_of_nothing_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        median_with_sd([], [])


def median_difference(first, second):
    return np.median(first, axis=-1) - np.median(second, axis=-1)


def test_bootstrap_against_scipy():
    rng = np.random.default_rng(3)
    groups = [rng.normal(20, 5, 14), rng.normal(17, 5, 11)]
    low, high = bootstrap_interval(groups, median_difference)
    # The plain percentile interval of scipy.stats.bootstrap at the expanded level, which is
    # that of Student's t times √(n/(n − 1)) on the normal scale, n = 11.
    widened = np.sqrt(11 / 10) * stats.t.ppf(0.975, 10)
    expected = stats.bootstrap(
        groups,
        lambda a, b, axis: np.median(a, axis=axis) - np.median(b, axis=axis),
        vectorized=True,
        method="percentile",
        confidence_level=1 - 2 * stats.norm.cdf(-widened),
        n_resamples=50_000,
        rng=rng,
    ).confidence_interval
    assert (low, high) == pytest.approx((expected.low, expected.high), abs=0.15)


def test_bootstrap_repeats_itself():
    groups = [np.arange(12.0), np.arange(11.0)]
    assert bootstrap_interval(groups, hedges_g) == bootstrap_interval(groups, hedges_g)


@pytest.mark.parametrize("population", ["normal", "exponential"])
def test_intervals_of_ten_players_hold_the_true_median(population):
    rng = np.random.default_rng(4)
    true = {"normal": 0.0, "exponential": np.log(2)}[population]
    held = 0
    for seed in range(400):
        sample = getattr(rng, population)(size=10)
        low, high = bootstrap_interval(
            [sample], lambda s: np.median(s, axis=-1), resamples=500, seed=seed
        )
        held += low <= true <= high
    # 95 % of 400 samples, less three standard deviations of the count.
    assert held >= 400 * 0.95 - 3 * np.sqrt(400 * 0.95 * 0.05)


@pytest.mark.parametrize(("low", "high"), [(-1.0, 2.0), (-np.inf, 2.0), (-1.0, np.inf)])
@pytest.mark.parametrize("mean", [-4.0, -0.5, 1.0, 2.2, 7.0])
def test_clipped_moments_against_numerical_integration(mean, low, high):
    """scipy.integrate.quad over the normal density."""
    edges = [e for e in (low, high) if np.isfinite(e)]

    def moment(at: float, power: int) -> float:
        def part(x: float) -> float:
            return max(low - x, x - high, 0.0) ** power * norm.pdf(x, at, 1.5)

        ends = sorted({at - 15, *edges, at + 15})
        return sum(quad(part, a, b)[0] for a, b in pairwise(ends))

    expected, variance = clipped_moments(np.array([mean]), np.array([1.5]), low=low, high=high)
    assert expected[0] == pytest.approx(moment(mean, 1), abs=1e-7)
    assert variance[0] == pytest.approx(moment(mean, 2) - moment(mean, 1) ** 2, abs=1e-6)


def test_spread_of_alike_values_is_the_plain_chi_square_test():
    """Against scipy.stats.chi2 with n − 1 degrees of freedom."""
    values = np.array([1.0, 2.5, 0.3, 4.0])
    _, chance = spread_test(values, 0.49 * np.eye(4))
    assert chance == pytest.approx(chi2.sf(np.sum((values - values.mean()) ** 2) / 0.49, 3))


def test_what_all_values_share_does_not_change_the_test():
    rng = np.random.default_rng(3)
    values, own = rng.normal(size=6), np.diag(rng.uniform(0.2, 2, 6))
    assert spread_test(values, own + 50.0) == pytest.approx(spread_test(values, own))


def test_spread_of_noise_is_found_as_often_as_the_chance_says():
    rng = np.random.default_rng(5)
    sds = np.array([0.3, 1.0, 1.0, 2.0, 0.5])
    chances = [spread_test(sds * rng.normal(size=5), np.diag(sds**2))[1] for _ in range(3000)]
    assert np.mean(np.array(chances) < 0.05) == pytest.approx(0.05, abs=0.015)


def test_spread_gives_the_variance_back_without_that_of_the_errors():
    rng = np.random.default_rng(6)
    true = rng.normal(0, 3, 400)
    variance, _ = spread_test(true + rng.normal(size=400), np.eye(400))
    assert variance == pytest.approx(np.var(true, ddof=1), rel=0.1)
    assert spread_test(np.zeros(3), np.eye(3)) == (0.0, 1.0)


def test_chances_are_kept_as_often_as_they_say():
    rng = np.random.default_rng(7)
    said, held = [], []
    for _ in range(400):
        sds = rng.uniform(0.5, 1.5, 7)
        true = rng.normal(0, 1.5, 7)
        values = true + sds * rng.normal(size=7) + 4 * rng.normal()
        said += list(chances_above_middle(values, np.diag(sds**2) + 16.0, 2.25, draws=500))
        # The middle value itself counts as half above.
        held += list(0.5 + 0.5 * np.sign(true - np.median(true)))
    said, held = np.array(said), np.array(held)
    for low, high in ((0, 0.1), (0.1, 0.4), (0.4, 0.7), (0.7, 0.9), (0.9, 1)):
        inside = (said >= low) & (said <= high)
        assert held[inside].mean() == pytest.approx(said[inside].mean(), abs=0.06)


def test_nothing_lies_above_the_middle_of_values_that_do_not_differ():
    assert chances_above_middle(np.array([1.0, 9.0, 3.0]), np.eye(3), 0.0) == pytest.approx(0.5)
