"""Frame-timing uncertainty against worked values, and against drawing frames at random."""

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from paddlebrief import timing
from paddlebrief.records import FootageInfo

# Distance 12.00 ± 0.15 m in 0.600 s, both ends read off frames: u_t in ms and u_v in m/s, worked
# out from JCGM 100:2008 4.3.7 and 5.1.2 (from memory).
WORKED = [(30, 13.608, 0.518), (60, 6.804, 0.338), (120, 3.402, 0.275), (240, 1.701, 0.256)]


@pytest.mark.parametrize(("rate", "u_t_ms", "u_v_mps"), WORKED)
def test_worked_values(rate, u_t_ms, u_v_mps):
    u_t_s = timing.frame_pair_sd_s(1 / rate)
    assert 1000 * u_t_s == pytest.approx(u_t_ms, abs=0.0005)
    u_v = timing.speed_sd_mps(
        distance_m=12.0, distance_sd_m=0.15, duration_s=0.6, duration_sd_s=u_t_s
    )
    assert u_v == pytest.approx(u_v_mps, abs=0.0005)


def test_instant_is_a_uniform_half_interval():
    # GTC type_b.uniform(0.5) is 0.288675.
    assert timing.frame_instant_sd_s(1.0) == pytest.approx(0.288675, abs=1e-6)


def test_spread_of_a_fixed_duration_by_simulation():
    rng = np.random.default_rng(11)
    interval_s = 1 / 30
    for duration_s in (0.6, 0.61, 0.35, 0.0501):
        begin_s = rng.uniform(0, interval_s, 200_000)
        counted = np.floor((begin_s + duration_s) / interval_s) - np.floor(begin_s / interval_s)
        spread_s = timing.fixed_duration_spread_s(duration_s=duration_s, interval_s=interval_s)
        assert np.std(counted * interval_s) == pytest.approx(spread_s, abs=1e-4)


def test_fixed_spreads_average_to_the_pair():
    durations_s = (np.arange(20_000) + 0.5) / 20_000 / 30
    spreads_s = [
        timing.fixed_duration_spread_s(duration_s=t, interval_s=1 / 30) for t in durations_s
    ]
    rms_s = np.sqrt(np.mean(np.square(spreads_s)))
    assert rms_s == pytest.approx(timing.frame_pair_sd_s(1 / 30), rel=1e-4)


def test_missing_parts_stay_missing():
    sd = timing.speed_sd_mps(
        distance_m=np.nan, distance_sd_m=0.1, duration_s=0.5, duration_sd_s=0.01
    )
    assert np.isnan(sd)


def test_slow_motion_on_court():
    info = FootageInfo(
        path=Path("slow.mp4"),
        content_hash="0" * 64,
        width_px=1,
        height_px=1,
        rotation_deg=0,
        frame_rate=Fraction(30),
        capture_rate=Fraction(240),
        capture_rate_source="container",
        start_s=0.0,
        end_s=1.0,
        frames=31,
        variable_rate=False,
        sound_rate_hz=None,
    )
    assert timing.seconds_on_court(info, 2.0) == pytest.approx(0.25)
