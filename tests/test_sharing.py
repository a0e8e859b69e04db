"""What strokes of one player are misread by alike."""

from dataclasses import replace

import numpy as np
import pytest

from paddlebrief.mechanics.sharing import SHARED, with_shared
from paddlebrief.records import FrameOfReference, Measure
from paddlebrief.rehearsal.true_measures import MEASURES
from tests.benchmarks.sharing import own_share


def test_what_strokes_share_never_outgrows_what_was_seen():
    """0.8 of a standard uncertainty, and 3.1° at most, by the table."""
    court = FrameOfReference.COURT
    face = Measure(name="face_angle_deg", value=3.0, sd=2.0, unit="°", frame=court)
    assert with_shared(face).shared_sd == pytest.approx(1.6)
    assert with_shared(face).own_sd == pytest.approx(1.2)
    wide = with_shared(replace(face, sd=9.0))
    assert wide.shared_sd == pytest.approx(3.1)
    assert wide.own_sd == pytest.approx(np.sqrt(81 - 3.1**2))
    other = replace(face, name="landing_depth_m")
    assert with_shared(other) == other
    hidden = Measure.missing("face_angle_deg", "°", court, "hidden")
    assert with_shared(hidden) == hidden


def test_every_shared_part_is_of_a_measure_with_truth():
    assert set(SHARED) <= set(MEASURES)
    assert all(0 < share < 1 and most > 0 for share, most in SHARED.values())


def test_own_share_leaves_out_what_groups_have_in_common():
    """Errors of own SD 0.6 about a group's own offset, stated as 1: ratio 0.6, limit above it."""
    rng = np.random.default_rng(8)
    limits = []
    for _ in range(200):
        groups = [
            np.column_stack([rng.normal(rng.normal(0, 0.8), 0.6, 7), np.ones(7)]) for _ in range(4)
        ]
        ratio, limit, freedom = own_share(groups)
        assert (freedom, limit > ratio) == (24, True)
        limits.append(limit)
    assert np.mean(np.array(limits) > 0.6) == pytest.approx(0.95, abs=0.04)
