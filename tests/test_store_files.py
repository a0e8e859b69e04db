"""Tracks and result tables: what other programs read is what was measured."""

import csv
from itertools import islice

import numpy as np
import pyarrow.parquet as pq
import pytest

from paddlebrief.errors import StoreError
from paddlebrief.records import (
    LANDMARKS,
    FrameOfReference,
    Kind,
    Measure,
    PlayerRanking,
    RankedStroke,
    Side,
    Track,
)
from paddlebrief.store.tables import write_tables
from paddlebrief.store.tracks import TrackWriter, iter_tracks, read_tracks, write_tracks
from tests.store_samples import hip_turn, stroke


def track(person=0, *, frames=50, start=0, seed=0):
    rng = np.random.default_rng([seed, person, start])
    landmarks = rng.uniform(0, 4000, (frames, len(LANDMARKS), 2))
    landmarks[::7, 3] = np.nan
    frame = np.arange(start, start + frames)
    return Track(
        person=person,
        frame=frame,
        time_s=10 + frame / 59.94,
        landmarks_px=landmarks,
        visibility=rng.uniform(size=(frames, len(LANDMARKS))),
        noise_px=np.linspace(0.5, 3, len(LANDMARKS)),
    )


def assert_same(found, expected):
    assert found.person == expected.person
    np.testing.assert_array_equal(found.frame, expected.frame)
    np.testing.assert_array_equal(found.time_s, expected.time_s)
    np.testing.assert_array_equal(found.noise_px, expected.noise_px)
    np.testing.assert_allclose(found.landmarks_px, expected.landmarks_px, rtol=0, atol=0.001)
    np.testing.assert_allclose(found.visibility, expected.visibility, rtol=0, atol=1e-7)


def test_tracks_come_back(tmp_path):
    # Longer than one row group holds, and another person's frames in between.
    tracks = [track(1, frames=5000), track(0), track(4, start=90)]
    write_tracks(tmp_path / "new" / "tracks.parquet", tracks)
    found = read_tracks(tmp_path / "new" / "tracks.parquet")
    for one, expected in zip(found, [tracks[1], tracks[0], tracks[2]], strict=True):
        assert_same(one, expected)


def test_pieces_join_to_one_track_a_person(tmp_path):
    pieces = [track(p, start=s) for s in (0, 50, 300) for p in (0, 1)]
    write_tracks(tmp_path / "t.parquet", pieces)
    for person, found in enumerate(read_tracks(tmp_path / "t.parquet")):
        own = [p for p in pieces if p.person == person]
        np.testing.assert_array_equal(found.frame, np.concatenate([p.frame for p in own]))
        np.testing.assert_array_equal(found.time_s, np.concatenate([p.time_s for p in own]))


def test_reading_by_time_and_person_skips_the_rest(tmp_path):
    pieces = [track(p, start=s) for s in range(0, 1000, 50) for p in (0, 1)]
    write_tracks(tmp_path / "t.parquet", pieces)
    start_s, end_s = pieces[8].time_s[10], pieces[12].time_s[20]
    (found,) = read_tracks(tmp_path / "t.parquet", start_s=start_s, end_s=end_s, persons={1})
    assert found.person == 1
    np.testing.assert_array_equal(found.frame, np.arange(210, 321))
    streamed = list(iter_tracks(tmp_path / "t.parquet", start_s=start_s, end_s=end_s))
    assert [(t.person, t.frame[0]) for t in streamed] == [
        (p, s) for s in (210, 250, 300) for p in (0, 1)
    ]
    assert read_tracks(tmp_path / "t.parquet", start_s=1e6) == []


def test_only_the_row_groups_asked_for_are_read(tmp_path, monkeypatch):
    write_tracks(tmp_path / "t.parquet", [track(start=s) for s in range(0, 500, 50)])
    read = []
    original = pq.ParquetFile.read_row_group
    monkeypatch.setattr(
        pq.ParquetFile,
        "read_row_group",
        lambda self, group, *a: read.append(group) or original(self, group, *a),
    )
    first = list(islice(iter_tracks(tmp_path / "t.parquet", start_s=track(start=150).time_s[0]), 2))
    assert (len(first), read) == (2, [3, 4])


def test_no_tracks_at_all_are_a_result_too(tmp_path):
    write_tracks(tmp_path / "t.parquet", [])
    assert read_tracks(tmp_path / "t.parquet") == []
    write_tracks(tmp_path / "t.parquet", [track(frames=0)])
    assert read_tracks(tmp_path / "t.parquet") == []


def test_a_broken_off_writing_leaves_the_older_file(tmp_path):
    path = tmp_path / "t.parquet"
    write_tracks(path, [track()])
    with pytest.raises(ValueError, match=r"person 0: expected a piece after 10\.8"):
        write_tracks(path, [track(), track(start=49)])
    assert_same(read_tracks(path)[0], track())
    assert [p.name for p in tmp_path.iterdir()] == ["t.parquet"]


def test_nothing_appears_before_the_writing_has_ended(tmp_path):
    with TrackWriter(tmp_path / "t.parquet") as writer:
        writer.write(track())
        assert not (tmp_path / "t.parquet").exists()
    assert_same(read_tracks(tmp_path / "t.parquet")[0], track())


@pytest.mark.parametrize("content", ["nothing", "text", "columns"])
def test_a_file_without_tracks_is_named(tmp_path, content):
    write_tables(tmp_path, [], [])
    path = {"nothing": tmp_path / "none", "text": tmp_path / "strokes.csv"}.get(
        content, tmp_path / "strokes.parquet"
    )
    with pytest.raises(StoreError, match="no tracks can be read here") as caught:
        read_tracks(path)
    assert caught.value.file == path


def test_a_folder_that_cannot_be_made_is_named(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be written"):
        write_tracks(tmp_path / "file" / "t.parquet", [])


HIDDEN = Measure.missing("elbow_height", "arm lengths", FrameOfReference.IMAGE, "arm hidden")


def results():
    measured = [
        stroke(1, "Zoë", hip_turn(-3.25, sd=1.5), HIDDEN),
        stroke(2, "B", hip_turn(4.0, frame=FrameOfReference.GRAVITY)),
    ]
    order = tuple(
        RankedStroke(
            stroke=m, score=-n / 2, score_sd=0.25, score_own_sd=0.125, above_middle=0.75, reasons=()
        )
        for n, m in enumerate(measured)
    )
    unranked = PlayerRanking(player="B", kind=Kind.SLICE, side=Side.BACKHAND, note="too few")
    ranked = PlayerRanking(
        player="Zoë", kind=Kind.DRIVE, side=Side.FOREHAND, order=order, worst=order[1:]
    )
    return measured, [unranked, ranked]


def test_parquet_tables_hold_every_number(tmp_path):
    write_tables(tmp_path / "out", *results())
    tables = {p.stem: pq.read_table(p).to_pylist() for p in (tmp_path / "out").glob("*.parquet")}
    assert tables["strokes"][0] == {
        "recording": "one.mp4",
        "number": 1,
        "player": "Zoë",
        "hand": "right",
        "side": "forehand",
        "side_probability": 0.9,
        "kind": "drive",
        "p_drive": 0.7,
        "p_slice": 0.2,
        "p_other": 0.1,
        "contact_s": 3601.2,
        "contact_s_sd": 0.01,
        "load_s": 3601.0,
        "forward_s": 3601.1,
        "finish_s": 3601.3,
        "heard": False,
    }
    own = {"recording": "one.mp4", "number": 1, "player": "Zoë"}
    assert tables["measures"][:2] == [
        own
        | {"name": "hip_turn_deg", "value": -3.25, "sd": 1.5, "shared_sd": 0.0}
        | {"unit": "°"}
        | {"frame": "court", "reason": None},
        own
        | {"name": "elbow_height", "value": None, "sd": None, "shared_sd": None}
        | {"unit": "arm lengths"}
        | {"frame": "image plane", "reason": "arm hidden"},
    ]
    assert [
        (r["number"], r["rank"], r["of"], r["score"], r["named"]) for r in tables["ranking"]
    ] == [(1, 1, 2, 0.0, None), (2, 2, 2, -0.5, "worst")]
    assert tables["ranking"][0]["score_own_sd"] == 0.125
    assert tables["ranking"][0]["above_middle"] == 0.75


def test_a_spreadsheet_gets_a_row_a_stroke_with_units_above(tmp_path):
    write_tables(tmp_path, *results())
    # The mark by which spreadsheets know UTF-8 (The Unicode Standard, 23.8).
    assert (tmp_path / "strokes.csv").read_bytes().startswith(b"\xef\xbb\xbf")
    one, two = read_csv(tmp_path / "strokes.csv")
    assert (one["player"], one["contact_s"]) == ("Zoë", "3601.2")
    assert one["hip_turn_deg (°, court)"] == "-3.25"
    assert one["hip_turn_deg sd (°, court)"] == "1.5"
    assert one["elbow_height (arm lengths, image plane)"] == ""
    assert one["not measured"] == "elbow_height: arm hidden"
    assert two["hip_turn_deg (°, court)"] == ""
    assert two["hip_turn_deg (°, gravity-aligned, scaled by body size)"] == "4"
    assert two["not measured"] == ""


def test_the_long_table_has_a_row_a_measure(tmp_path):
    write_tables(tmp_path, *results())
    rows = read_csv(tmp_path / "measures.csv")
    assert [(r["name"], r["value"], r["unit"]) for r in rows] == [
        ("hip_turn_deg", "-3.25", "°"),
        ("elbow_height", "", "arm lengths"),
        ("hip_turn_deg", "4", "°"),
    ]


def test_no_strokes_give_headers_and_no_rows(tmp_path):
    written = write_tables(tmp_path, [], [])
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in written)
    assert read_csv(tmp_path / "strokes.csv") == []
    assert pq.read_table(tmp_path / "ranking.parquet").column_names[0] == "recording"


def read_csv(path):
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))
