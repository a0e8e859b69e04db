"""Comparing cohorts: players count, not strokes; few players give points and no verdict."""

import json
from datetime import date

import numpy as np
import pytest
from scipy import stats

from paddlebrief.cohorts import as_json, compare, render_text
from paddlebrief.errors import StoreError
from paddlebrief.records import FrameOfReference, Kind, Measure, Side
from paddlebrief.store import RosterEntry, SessionRecord, open_database, save_recording
from tests.store_samples import footage, hip_turn, run_of, stroke

MARCH, APRIL = date(2026, 3, 1), date(2026, 4, 1)
HIDDEN = Measure.missing("hip_turn_deg", "°", FrameOfReference.COURT, "hips hidden")


@pytest.fixture
def engine(tmp_path):
    opened = open_database(tmp_path / "records.db")
    yield opened
    opened.dispose()


def save(engine, cohort, measures, *, day=MARCH, kind=Kind.DRIVE):
    """A session of one cohort; ``measures`` holds a list of measures a player, one a stroke."""
    info = footage(f"/{cohort}/{day}.mp4")
    strokes = []
    for player, own in measures.items():
        for measure in own:
            given = () if measure is None else (measure,)
            strokes.append(stroke(len(strokes) + 1, player, *given, kind=kind))
    roster = tuple(RosterEntry(name=player, cohort=cohort) for player in measures)
    session = SessionRecord(origin=f"/{cohort}", held_on=day, players=roster)
    save_recording(engine, info=info, session=session, strokes=strokes, run=run_of(info))


def players(prefix, values, *, strokes=3, **kwargs):
    return {
        f"{prefix}{n:02}": [hip_turn(v + d, **kwargs) for d in np.linspace(-1, 1, strokes)]
        for n, v in enumerate(values)
    }


def test_a_player_with_many_strokes_weighs_as_much_as_one_with_few(engine):
    busy, rare = [hip_turn(50.0)] * 40, [hip_turn(10.0)]
    save(engine, "Red", {"Ada": busy, "Bo": rare, "Cy": rare})
    (group,) = compare(engine, measure="hip_turn_deg").groups
    assert (group.median, group.strokes) == (10.0, 42)
    assert [(p.player, p.median, p.strokes) for p in group.points] == [
        ("Ada", 50.0, 40),
        ("Bo", 10.0, 1),
        ("Cy", 10.0, 1),
    ]
    assert group.points[1].sd == 2.0


def test_the_interval_resamples_players(engine):
    values = np.random.default_rng(0).normal(40, 8, 12)
    save(engine, "Red", players("R", values, strokes=9))
    (group,) = compare(engine, measure="hip_turn_deg").groups
    # scipy.stats.bootstrap over the twelve players; our interval is a little wider on purpose.
    plain = stats.bootstrap([values], np.median, method="percentile", rng=1).confidence_interval
    low, high = group.interval
    assert low <= plain.low <= group.median <= plain.high <= high
    assert high - low < 1.6 * (plain.high - plain.low)
    assert group.interval_reason is None


def test_fewer_than_ten_players_are_points_only(engine):
    save(engine, "Red", players("R", range(9)))
    save(engine, "Blue", players("B", range(30, 42)))
    table = compare(engine, measure="hip_turn_deg")
    blue, red = table.groups
    assert (blue.cohort, len(blue.points), red.cohort, len(red.points)) == ("Blue", 12, "Red", 9)
    assert (red.interval, red.interval_reason) == (None, "9 of at least 10 players")
    assert blue.interval is not None
    (difference,) = table.differences
    assert (difference.g, difference.reason) == (None, "fewer than 10 players in a cohort")
    assert any("nothing is ranked" in note for note in table.notes)


def test_two_large_cohorts_differ_by_a_number_with_its_interval(engine):
    rng = np.random.default_rng(1)
    blue, red = rng.normal(40, 5, 12), rng.normal(32, 5, 15)
    save(engine, "Blue", players("B", blue))
    save(engine, "Red", players("R", red))
    table = compare(engine, measure="hip_turn_deg", kind=Kind.DRIVE, side=Side.FOREHAND)
    (difference,) = table.differences
    assert (difference.first, difference.second, difference.reason) == ("Blue", "Red", None)
    assert difference.median == pytest.approx(np.median(blue) - np.median(red))
    # Cohen's d from scipy's t statistic: d = t · √(1/n + 1/m); J about 1 − 3/(4ν − 1).
    d = stats.ttest_ind(blue, red).statistic * np.sqrt(1 / 12 + 1 / 15)
    assert difference.g == pytest.approx(d * (1 - 3 / 99), rel=1e-3)
    assert difference.g_interval[0] < difference.g < difference.g_interval[1]
    assert difference.median_interval[0] < difference.median < difference.median_interval[1]
    assert not any("ranked" in note or "mixed" in note for note in table.notes)


def test_equal_points_have_no_standardised_difference(engine):
    save(engine, "Blue", players("B", [40.0] * 10))
    save(engine, "Red", players("R", [30.0] * 10))
    (difference,) = compare(engine, measure="hip_turn_deg").differences
    assert difference.reason == "no spread between players"


def test_cohorts_that_share_a_player_are_not_set_against_each_other(engine):
    save(engine, "Blue", players("P", range(10)))
    save(engine, "Red", players("P", range(11)), day=APRIL)
    (difference,) = compare(engine, measure="hip_turn_deg").differences
    assert difference.reason.startswith("not independent, players in both: P00, P01")


def test_dates_of_a_cohort_stand_beside_each_other(engine):
    save(engine, "Red", players("R", [10.0, 20.0]), day=APRIL)
    save(engine, "Red", players("R", [30.0, 40.0]), day=MARCH)
    save(engine, "Red", players("R", [50.0]), day=None)
    groups = compare(engine, measure="hip_turn_deg").groups
    assert [(g.when, g.median) for g in groups] == [
        ("all dates", pytest.approx(30.0)),
        ("2026-03-01", pytest.approx(35.0)),
        ("2026-04-01", pytest.approx(15.0)),
        ("no date", pytest.approx(50.0)),
    ]


def test_what_is_missing_is_counted_with_its_reason(engine):
    mine = hip_turn(20.0)
    elsewhere = hip_turn(900.0, frame=FrameOfReference.IMAGE)
    save(engine, "Red", {"Ada": [mine, mine, HIDDEN, None, elsewhere], "Bo": [HIDDEN]})
    table = compare(engine, measure="hip_turn_deg")
    (group,) = table.groups
    assert (table.frame, table.unit) == (FrameOfReference.COURT, "°")
    assert [(p.player, p.median, p.strokes) for p in group.points] == [("Ada", 20.0, 2)]
    assert group.missing == {
        "hips hidden": 2,
        "saved without this measure": 1,
        "stated in another frame (image plane)": 1,
    }


def test_kind_and_side_select_strokes(engine):
    save(engine, "Red", players("R", [10.0]), kind=Kind.DRIVE)
    save(engine, "Red", players("R", [30.0]), kind=Kind.SLICE, day=APRIL)
    (group,) = compare(engine, measure="hip_turn_deg", kind=Kind.SLICE).groups
    assert group.median == pytest.approx(30.0)
    assert compare(engine, measure="hip_turn_deg", side=Side.BACKHAND).groups == ()


def test_scatter_within_a_player_tells_what_change_shows(engine):
    pair = [hip_turn(20.0), hip_turn(26.0)]
    save(engine, "Red", {"Ada": pair, "Bo": pair})
    (group,) = compare(engine, measure="hip_turn_deg").groups
    # Two values 6 apart have an SD of 6/√2; 2.77 · SD, Weir 2005.
    assert group.typical_error == pytest.approx(6 / np.sqrt(2))
    assert group.detectable_change == pytest.approx(2.77 * 6 / np.sqrt(2), rel=1e-3)


def test_an_unknown_measure_is_answered_with_the_nearest(engine):
    save(engine, "Red", players("R", [10.0]))
    with pytest.raises(StoreError, match=r"hip_trun_deg.*did you mean hip_turn_deg\?"):
        compare(engine, measure="hip_trun_deg")


def test_empty_records_say_so(engine):
    table = compare(engine, measure="hip_turn_deg")
    assert (table.groups, table.unit) == ((), None)
    assert "No player with a cohort" in render_text(table)


def test_text_holds_every_point_and_names_no_winner(engine):
    save(engine, "Red [U12]", players("R", [10.0, 22.0, 31.0], frame=FrameOfReference.IMAGE))
    save(engine, "Blue", players("B", range(30, 42), frame=FrameOfReference.IMAGE))
    table = compare(engine, measure="hip_turn_deg")
    text = render_text(table, width=110)
    assert "│ Red [U12] │ R01    │ 22.0 ± 1.4" in text
    assert "{:.1f} ({:.1f} to {:.1f})".format(35.5, *table.groups[0].interval) in text
    assert "Red [U12]: no interval, 3 of at least 10 players." in text
    assert not any(word in text for word in ("best", "worst", "better", "winner"))
    assert max(map(len, text.splitlines())) <= 110
    for note in table.notes:
        assert note in " ".join(text.split())
    assert ["ranked" in n or "filmed" in n for n in table.notes].count(True) == 2


def test_text_states_reasons_when_nothing_was_measured(engine):
    save(engine, "Red", {"Ada": [HIDDEN, HIDDEN]})
    text = render_text(compare(engine, measure="hip_turn_deg"))
    assert "Red: not measured in 2 strokes, hips hidden." in text
    assert "nan" not in text


def test_json_is_plain_and_without_nan(engine):
    save(engine, "Red", {"Ada": [hip_turn(20.0), HIDDEN]})
    table = json.loads(
        json.dumps(as_json(compare(engine, measure="hip_turn_deg")), allow_nan=False)
    )
    (group,) = table["groups"]
    assert group["points"] == [{"player": "Ada", "median": 20.0, "sd": 2.0, "strokes": 1}]
    assert group["typical_error"] is None
    assert (table["frame"], group["missing"]) == ("court", {"hips hidden": 1})
