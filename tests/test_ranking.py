"""Ranking on strokes whose place is known."""

from dataclasses import replace

import numpy as np
import pytest

from paddlebrief.errors import SettingsError
from paddlebrief.ranking import RankingSettings, load_targets, rank
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


def test_a_measure_within_its_uncertainty_of_a_range_is_no_reason():
    low = min(t.low for t in BOOK.targets[Kind.DRIVE] if t.measure == "path_angle_image_deg")
    angles = [low - 2, low - 30, low - 40, low + 10, low + 12, low + 14]
    strokes = [measured(i + 1, path_deg=a, sd=5) for i, a in enumerate(angles)]
    (ranking,) = rank(strokes, book=BOOK, settings=RankingSettings())
    reasons = {r.stroke.stroke.number: r.reasons for r in ranking.order}
    assert reasons[1][0].startswith("No measure lies clearly outside")
    assert "comes down into the ball" in reasons[2][0]
    assert reasons[4][0].startswith("Every measure")
    assert not any("under the" in text for text in reasons[1])
    middle = sorted(angles)[3]  # the upper middle one of six
    compared = [t for t in reasons[6] if "middle stroke" in t and t.startswith("path_angle")]
    assert len(compared) == 1
    assert compared[0].endswith(f"your middle stroke has {middle:.0f}°\u00a0±\u00a010°.")


@pytest.mark.parametrize(
    ("units", "said", "limit"), [("metric", "18 ± 2 km/h", 3.6), ("US", "11 ± 1 mph", 2.23694)]
)
def test_reasons_are_in_the_units_of_the_pages(units, said, limit):
    """1 m/s is 3.6 km/h and 2.23694 mph (1959 mile, worked out)."""
    low = min(t.low for t in BOOK.targets[Kind.DRIVE] if t.measure == "head_speed_mps")
    court = FrameOfReference.COURT
    strokes = [
        replace(s, measures=(*s.measures, Measure(name="head_speed_mps", value=v, sd=sd, unit="m/s",
                                                  frame=court)))
        for s, v, sd in ((measured(n, path_deg=20.0), v, 0.3) for n, v in enumerate(
            (5.0, low, low, low), start=1))
    ]  # fmt: skip
    (ranking,) = rank(strokes, book=BOOK, settings=RankingSettings(), units=units)
    reasons = next(r.reasons for r in ranking.order if r.stroke.stroke.number == 1)
    (text,) = [t for t in reasons if t.startswith("head_speed_mps")]
    assert said in text.replace("\u00a0", " ")
    assert f"under the {low * limit:.3g} asked for" in text


def test_too_few_and_too_close_are_not_ranked():
    few = rank([measured(i, path_deg=a) for i, a in ((1, -50), (2, 0))], book=BOOK,
               settings=RankingSettings())[0]  # fmt: skip
    assert (few.best, few.worst) == ((), ())
    assert "4 are needed" in few.note
    close = [measured(i, path_deg=a, sd=15) for i, a in enumerate((-3, -4, -5, -6))]
    (ranking,) = rank(close, book=BOOK, settings=RankingSettings())
    assert "own uncertainty" in ranking.note
    assert ranking.worst == ()


def test_a_kind_without_targets_is_not_ranked_and_missing_measures_do_not_score():
    (ranking,) = rank([measured(1, path_deg=0, kind=Kind.OTHER)], book=BOOK,
                      settings=RankingSettings())  # fmt: skip
    assert "no targets" in ranking.note
    bare = replace(measured(1, path_deg=0), measures=())
    (ranking,) = rank([bare], book=BOOK, settings=RankingSettings())
    assert ranking.order == ()


def test_no_strokes_no_rankings():
    assert rank([], book=BOOK, settings=RankingSettings()) == []


def test_bad_targets_are_one_clear_error(tmp_path):
    file = tmp_path / "targets.yaml"
    file.write_text(
        "targets:\n  drive:\n    - measure: x\n      low: 3\n      high: 1\n      tolerance: 1\n"
    )
    with pytest.raises(SettingsError, match="expected low < high"):
        load_targets(file)


def simulated(rng, *, strokes: int, spread: float):
    """A group whose measures truly scatter by so many standard uncertainties, and its true scores.

    Values lie about the edges of the shipped targets, where clipping matters most; sds differ
    between strokes, two thirds of the variance is shared, and a tenth of the measures is missing.
    """
    targets = [t for t in BOOK.targets[Kind.DRIVE] if t.instead_of is None]
    taken: list[list[Measure]] = [[] for _ in range(strokes)]
    true = np.zeros(strokes)
    for target in targets:
        edge = target.low if np.isfinite(target.low) else target.high
        sd = target.tolerance * rng.uniform(0.4, 1.2, strokes)
        shared = np.sqrt(2 / 3) * sd.min() * np.ones(strokes)
        own = np.sqrt(sd**2 - shared**2)
        value = edge + target.tolerance * (rng.uniform(-1.5, 0.7) + 0 * sd)
        value = value + spread * own * rng.standard_normal(strokes)
        true -= target.weight * np.array([target.shortfall(v) for v in value])
        seen = value + own * rng.standard_normal(strokes) + shared[0] * rng.standard_normal()
        for k in range(strokes):
            if rng.uniform() > 0.1:
                taken[k].append(
                    Measure(name=target.measure, value=seen[k], sd=sd[k], shared_sd=shared[k],
                            unit="", frame=FrameOfReference.COURT)
                )  # fmt: skip
    group = [replace(measured(k, path_deg=0), measures=tuple(m)) for k, m in enumerate(taken)]
    return group, true


def judged(spread: float, *, strokes: int, groups: int = 150) -> tuple[float, float, float]:
    """Share of groups ranked; of the strokes named, how many there are a group and how many lie
    on the right side of the middle."""
    rng = np.random.default_rng(9)
    ranked = named = right = 0
    for _ in range(groups):
        group, true = simulated(rng, strokes=strokes, spread=spread)
        (found,) = rank(group, book=BOOK, settings=RankingSettings())
        ranked += found.note is None
        for ranks, sign in ((found.best, 1), (found.worst, -1)):
            for one in ranks:
                named += 1
                right += sign * (true[one.stroke.stroke.number] - np.median(true)) > 0
    return ranked / groups, named / max(ranked, 1), right / max(named, 1)


@pytest.mark.parametrize("strokes", [4, 7, 14])
def test_noise_is_hardly_ever_ranked(strokes):
    ranked, _, _ = judged(0.0, strokes=strokes, groups=300)
    assert ranked <= 0.1


@pytest.mark.parametrize(("strokes", "power"), [(4, 0.45), (7, 0.7), (14, 0.9)])
def test_real_differences_are_ranked_and_those_named_are_right(strokes, power):
    ranked, named, right = judged(3.0, strokes=strokes)
    assert ranked >= power
    assert named >= 2
    assert right > RankingSettings().sure + 0.05


def test_errors_that_all_strokes_share_do_not_hide_an_order():
    angles = [-45, -60, -50, -75, -40, -55]

    def with_shared(one, shared):
        first, *rest = one.measures
        return replace(one, measures=(replace(first, sd=20.0, shared_sd=shared), *rest))

    def group(shared):
        return [with_shared(measured(i + 1, path_deg=a), shared) for i, a in enumerate(angles)]

    (hidden,) = rank(group(0.0), book=BOOK, settings=RankingSettings())
    (seen,) = rank(group(19.5), book=BOOK, settings=RankingSettings())
    assert "own uncertainty" in hidden.note
    assert seen.note is None
    assert [r.stroke.stroke.number for r in seen.worst] == [4, 2]
    assert [r.score_sd for r in seen.order] == pytest.approx(
        [r.score_sd for r in hidden.order], rel=0.01
    )
    assert all(r.score_own_sd < r.score_sd for r in seen.order if r.score < 0)


def test_only_what_surely_leaves_the_middle_is_named():
    strokes = [measured(i + 1, path_deg=a) for i, a in enumerate((20, 10, 30, 15, 25, -60))]
    (ranking,) = rank(strokes, book=BOOK, settings=RankingSettings())
    assert [r.stroke.stroke.number for r in ranking.worst] == [6]
    assert ranking.best == ()
