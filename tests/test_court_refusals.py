"""What keeps the solver from believing a court that is not there."""

from types import SimpleNamespace

import numpy as np
import pytest

from paddlebrief.court.guess import beside_court
from paddlebrief.court.other_courts import _is_paint
from paddlebrief.court.still import Expectations, _best_of, solve_still
from paddlebrief.court.verify import Quality, _believed, _clearest
from tests.benchmarks.court import other_courts


@pytest.mark.parametrize("seed", [602, 606])
def test_a_badminton_court_seen_small_is_refused(seed):
    """Once taken for this court: its outer lines are 10 cm from ours (BWF Laws, from memory)."""
    ((_, _, picture),) = other_courts(seed, rays=4, only="badminton court")
    still = solve_still(picture, expect=Expectations())
    assert still.fit is None
    assert still.reason


def test_paint_mixed_with_its_ground_is_paint_and_another_games_is_not():
    """A line two thirds of a pixel wide shows paint and ground mixed (box filter, no source)."""
    white, blue, light_blue = np.array([[92.0, 0, 2], [38, 6, -38], [62, -4, -22]])
    red = np.array([45.0, 60, 35])
    grounds = np.stack([blue, blue])
    assert _is_paint(0.8 * white + 0.2 * blue, white, grounds)
    assert _is_paint(white + [4, 0, 0], white, grounds)
    assert not _is_paint(light_blue, white, grounds)
    assert not _is_paint(red, white, grounds)


@pytest.mark.parametrize(
    ("left", "right", "found"),
    [
        ((0.1, 0.96), (0.4, 0.80), ["left", "right"]),
        ((0.5, 0.82), (0.4, 0.97), ["left", "right"]),
        ((0.1, 0.96), (0.9, 0.80), ["left"]),
        ((0.1, 0.80), (0.4, 0.80), []),
        ((1.3, 0.99), (0.0, 0.00), []),
    ],
    ids=["left clear", "right clear", "right off", "neither clear", "an edge close by"],
)
def test_a_clear_half_of_a_dull_tape_vouches_for_the_other(left, right, found):
    """As measured in rendered recordings (first, second, last); no outside source."""
    assert _believed({"left": left, "right": right}) == found


@pytest.mark.parametrize(
    ("by_light", "by_colour", "taken"),
    [
        ((1.12, 0.98), (0.38, 0.97), (0.38, 0.97)),
        ((2.0, 0.56), (0.12, 0.94), (0.12, 0.94)),
        ((0.1, 0.96), (1.9, 0.99), (0.1, 0.96)),
        ((1.3, 0.80), (0.2, 0.70), (1.3, 0.80)),
    ],
    ids=["edge beside it", "as bright as the ground", "as blue as the ground", "neither clear"],
)
def test_a_tape_as_bright_as_the_ground_behind_is_told_by_its_colour(by_light, by_colour, taken):
    """First and second as measured in rendered recordings; no outside source."""
    assert _clearest([by_light, by_colour]) == taken


def test_cameras_above_the_court_are_not_guessed():
    places = np.array([(-1.3, -1.8, 4.0), (0, -7.0, 2), (3.2, -3, 2), (3.0, 6.6, 3)])
    assert beside_court(places).tolist() == [False, True, True, False]


def test_a_refused_court_that_explains_more_speaks_against_a_believed_one():
    """No outside source: a wrong court half found was once believed beside the right one."""

    def candidate(x_m: float, score_px: float, *faults: str):
        quality = Quality(found_share=0.8, shares={}, residual_px=0.2, worst_sd_m=0.01,
                          score_px=score_px, tape_px=100.0, faults=faults)  # fmt: skip
        view = SimpleNamespace(position_m=np.array([x_m, -11.0, 2.0]))
        return SimpleNamespace(view=view), quality

    wrong, right = candidate(3.0, 1164.0), candidate(0.0, 2814.0, "the tape is missing")
    assert _best_of([wrong], [right, wrong]).reason == "the tape is missing"
    poorer = candidate(6.0, 900.0, "too few lines")
    assert _best_of([wrong], [poorer, wrong]).fit is wrong[0]
    same = candidate(3.1, 2000.0, "too few lines")
    assert _best_of([wrong], [same, wrong]).fit is wrong[0]
