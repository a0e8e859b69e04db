"""Numbers as a page states them: value, 95 % half width, unit, and what they say together."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from paddlebrief.records import Measure

__all__ = [
    "COVERAGE",
    "Shown",
    "Units",
    "clock",
    "converted",
    "homogeneity",
    "in_units",
    "median_range",
    "show",
    "unwrapped",
]

Units = Literal["metric", "US"]

COVERAGE = 1.96
"""Half width of a 95 % interval over the standard uncertainty, normal distribution (GUM, JCGM
100:2008, table G.1; from memory)."""

_HOLD = "\u00a0"

# International yard and pound agreement of 1959: 1 ft = 0.3048 m, 1 mile = 5280 ft.
_FROM_SI: dict[tuple[str, str], tuple[str, float]] = {
    ("m", "US"): ("ft", 1 / 0.3048),
    ("m/s", "metric"): ("km/h", 3.6),
    ("m/s", "US"): ("mph", 3600 / (5280 * 0.3048)),
}


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A measured number in printed form: ``value`` ± ``half_width`` ``unit``."""

    value: str
    half_width: str
    unit: str

    @property
    def sentence(self) -> str:
        """The number inside a sentence, held on one line: "12° ± 4°", "0.42 ± 0.05 m"."""
        if self.unit == "°":
            return f"{self.value}°{_HOLD}±{_HOLD}{self.half_width}°"
        return f"{self.value}{_HOLD}±{_HOLD}{self.half_width}{_HOLD}{self.unit}".rstrip()


def converted(value: float, unit: str, units: Units) -> tuple[float, str]:
    """A number in feet and mph or metres and km/h, with its unit; units other than m and m/s stay
    as they are."""
    unit, factor = _FROM_SI.get((unit, units), (unit, 1.0))
    return value * factor, unit


def in_units(measure: Measure, units: Units) -> tuple[float, float, str]:
    """Value, standard uncertainty and unit of a measure, in feet and mph or metres and km/h.

    NaN values stay NaN; units other than m and m/s stay as they are.
    """
    value, unit = converted(measure.value, measure.unit, units)
    return value, converted(measure.sd, measure.unit, units)[0], unit


def show(measure: Measure, *, decimals: int, units: Units) -> Shown:
    """Printed form of a measured number.

    More decimals than asked for are given when the half width would otherwise read as zero.

    Raises
    ------
    ValueError
        When the measure was not measured.
    """
    if not measure.measured:
        raise ValueError(f"{measure.name} was not measured: {measure.reason}")
    value, sd, unit = in_units(measure, units)
    half = COVERAGE * sd
    while decimals < 6 and half < 0.5 * 10**-decimals:
        decimals += 1
    return Shown(value=_fixed(value, decimals), half_width=_fixed(half, decimals), unit=unit)


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def clock(seconds: float, *, decimals: int = 2) -> str:
    """Presentation time as minutes and seconds, ``75.5`` → ``"1:15.50"``."""
    units = 10**decimals
    whole = round(seconds * units)
    sign = "−" if whole < 0 else ""
    minutes, rest = divmod(abs(whole), 60 * units)
    width = decimals + 3 if decimals else 2
    return f"{sign}{minutes}:{rest / units:0{width}.{decimals}f}"


def unwrapped(values: Sequence[float], period: float | None) -> list[float]:
    """Values of a quantity that repeats, moved by whole periods to stand by one another.

    Each ends up within half a period of their circular mean (Mardia & Jupp, Directional
    Statistics, section 2.2; from memory): line tilts of 87° and −87° become 87° and 93°. With no
    period, or no values, they come back as they are.
    """
    if period is None or not len(values):
        return list(values)
    turns = np.asarray(values, dtype=float) * 2 * np.pi / period
    middle = np.arctan2(np.sin(turns).mean(), np.cos(turns).mean()) * period / (2 * np.pi)
    apart = np.asarray(values) - middle
    return list(middle + apart - period * np.round(apart / period))


def median_range(values: Sequence[float]) -> tuple[float, float, float] | None:
    """Median and a 95 % interval for it that supposes no distribution.

    The interval runs between two order statistics whose ranks come from the binomial
    distribution with p = ½ (David & Nagaraja, Order Statistics, 3rd ed., section 7.1; from
    memory). Measurement noise is in the values and so in the interval.

    Returns
    -------
    tuple of float or None
        Median, lower and upper end; None below six values, where no such interval reaches 95 %.
    """
    ordered = np.sort(np.asarray(values, dtype=float))
    n = len(ordered)
    rank, tail = 0, 1
    while 40 * tail <= 2**n:  # 2 tail / 2^n ≤ 0.05
        rank += 1
        tail += math.comb(n, rank)
    if rank == 0:
        return None
    return float(np.median(ordered)), float(ordered[rank - 1]), float(ordered[n - rank])


def homogeneity(values: Sequence[float], sds: Sequence[float]) -> tuple[float, float]:
    """Cochran's Q against "all values are one value seen with these standard uncertainties".

    Q is the weighted sum of squared distances from the weighted mean (Cochran 1954, Biometrics
    10:101; from memory); under that supposition it has a χ² distribution with n − 1 degrees of
    freedom.

    Returns
    -------
    tuple of float
        Q over its degrees of freedom, and the probability of a Q as large as this.

    Raises
    ------
    ValueError
        Below two values.
    """
    from scipy.stats import chi2

    if len(values) < 2:
        raise ValueError(f"expected two values or more, got {len(values)}")
    x, weight = np.asarray(values, dtype=float), 1 / np.square(np.asarray(sds, dtype=float))
    q = float(np.sum(weight * np.square(x - np.average(x, weights=weight))))
    freedom = len(x) - 1
    return q / freedom, float(chi2.sf(q, freedom))
