"""session.yaml: what it may say, one line for all its faults, and which files are recordings."""

import datetime
import json

import pytest

from paddlebrief.errors import FootageError, SessionFileError
from paddlebrief.records import Handedness
from paddlebrief.session import (
    Player,
    Session,
    default_session,
    find_recordings,
    load_session,
)

FULL = """
date: 2024-05-31
venue: court 3, north fence
players:
  - name: Ana
    handedness: Left
    cohort: juniors
    consent: yes
    clothes: red
    minor: true
  - name: Ben
    clothes: [white, navy]
capture_fps: {forehands.MOV: 240}
court:
  near_left_corner: [102, 640.5]
recordings:
  forehands.mov: Ana
  rally.mp4: [Ana, Ben]
notes: windy
"""


def write(folder, text, name="session.yaml"):
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def fault(folder, text) -> str:
    path = write(folder, text)
    with pytest.raises(SessionFileError) as caught:
        load_session(path)
    assert caught.value.file == path
    assert "\n" not in str(caught.value)
    assert caught.value.todo
    return caught.value.what + (f"; found {caught.value.found}" if caught.value.found else "")


def test_everything_a_session_may_say(tmp_path):
    session = load_session(write(tmp_path, FULL))
    assert session.date == datetime.date(2024, 5, 31)
    ana, ben = session.players
    assert ana == Player(
        name="Ana",
        handedness="left",
        cohort="juniors",
        consent=True,
        clothes=("red",),
        minor=True,
    )
    assert (ben.handedness, ben.consent, ben.minor) == (Handedness.UNKNOWN, None, False)
    assert ben.clothes == ("white", "navy")
    assert session.court == {"near_left_corner": (102, 640.5)}
    assert load_session(tmp_path) == session


def test_recordings_are_found_by_name_in_any_case(tmp_path):
    session = load_session(write(tmp_path, FULL))
    assert session.capture_fps_of("FOREHANDS.mov") == 240
    assert session.capture_fps_of("rally.mp4") is None
    assert [p.name for p in session.players_in("forehands.mov")] == ["Ana"]
    assert [p.name for p in session.players_in("rally.mp4")] == ["Ana", "Ben"]
    assert [p.name for p in session.players_in("other.mp4")] == ["Ana", "Ben"]


def test_one_rate_for_all_recordings(tmp_path):
    assert load_session(write(tmp_path, "capture_fps: 120")).capture_fps_of("any.mp4") == 120


@pytest.mark.parametrize("text", ["", "# nothing yet\n", "---\n"])
def test_blank_file_is_the_default_session(tmp_path, text):
    assert load_session(write(tmp_path, text)) == default_session() == Session()


def test_folder_without_a_file_is_the_default_session(tmp_path):
    assert load_session(tmp_path) == default_session()


def test_other_ending_and_other_encoding(tmp_path):
    path = tmp_path / "session.yml"
    path.write_bytes("venue: Köln".encode("utf-16"))
    assert load_session(tmp_path).venue == "Köln"


class TestFaults:
    def test_unknown_keys_with_a_guess(self, tmp_path):
        said = fault(tmp_path, "venu: x\nplayers: [{name: Ana, handednes: left}]")
        assert "unknown key 'venu' (did you mean 'venue'?)" in said
        assert "players, entry 1: unknown key 'handednes' (did you mean 'handedness'?)" in said

    def test_unknown_key_far_from_all_lists_the_known(self, tmp_path):
        said = fault(tmp_path, "players: [{name: Ana, birthday: 2010-01-01}]")
        assert "unknown key 'birthday'" in said
        assert "known are name, handedness, cohort, consent, clothes, minor" in said

    def test_wrong_word_with_a_guess(self, tmp_path):
        said = fault(tmp_path, "players: [{name: Ana, handedness: rigth}]")
        assert "players, entry 1, handedness: expected 'right', 'left' or 'unknown'" in said
        assert "found 'rigth' (did you mean 'right'?)" in said

    def test_missing_name(self, tmp_path):
        assert "players, entry 1: the key 'name' is missing" in fault(tmp_path, "players: [{}]")

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("date: 31.5.2024", "date: expected a date such as 2024-05-31, found '31.5.2024'"),
            ("players: [{name: 7}]", "name: expected text (in quotes if need be), found 7"),
            ("players: [{name: '  '}]", "name: "),
            ("players: Ana", "players: expected "),
            ("players: [Ana]", "players, entry 1: expected "),
            ("capture_fps: fast", "capture_fps: expected a valid number, found 'fast'"),
            ("capture_fps: 0", "capture_fps: expected greater than 0, found 0"),
            ("capture_fps: {a.mp4: -3}", "capture_fps, a.mp4: expected greater than 0, found -3"),
            ("capture_fps: .nan", "capture_fps: expected a finite number"),
            ("court: {corner: [1]}", "court, corner"),
            ("court: {corner: [1, x]}", "court, corner, entry 2: expected a valid number"),
            ("players: [{name: Ana, consent: perhaps}]", "consent: expected a valid boolean"),
        ],
    )
    def test_wrong_values(self, tmp_path, text, words):
        assert words in fault(tmp_path, text)

    def test_names_that_do_not_fit(self, tmp_path):
        said = fault(tmp_path, "players: [{name: Ana}, {name: Ana}]\nrecordings: {a.mp4: [Anna]}")
        assert "'Ana' stands 2 times" in said
        assert "recordings.a.mp4: 'Anna' is not among the players (did you mean 'Ana'?)" in said

    def test_all_faults_at_once(self, tmp_path):
        said = fault(
            tmp_path,
            "dat: 1\ncapture_fps: -1\nplayers: [{name: Ana, hand: left}]\nrecordings: {a: Bea}",
        )
        assert said.startswith("4 faults: ")
        for word in ("'dat'", "capture_fps", "'hand'", "'Bea'"):
            assert word in said

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            ("players:\n  - name: Ana\n bad: [", "line 3, column 2"),
            ("players:\n\t- name: Ana", "line 2, column 1"),
            ("venue: a\nvenue: b", "line 2, column 1: the key 'venue' stands twice"),
            ("? [a, b]\n: c", "found unhashable key"),
        ],
    )
    def test_yaml_syntax_tells_line_and_column(self, tmp_path, text, words):
        said = fault(tmp_path, text)
        assert said.startswith("not valid YAML: ")
        assert words in said

    @pytest.mark.parametrize("data", [b"venue: K\xf6ln", b"\x00\x01\x02\x03" * 50])
    def test_not_text(self, tmp_path, data):
        path = tmp_path / "session.yaml"
        path.write_bytes(data)
        with pytest.raises(SessionFileError, match="not valid YAML") as caught:
            load_session(path)
        assert "\n" not in str(caught.value)

    @pytest.mark.parametrize("text", ["- a\n- b", "just words", "7"])
    def test_no_keys(self, tmp_path, text):
        assert "no keys at the top" in fault(tmp_path, text)

    def test_a_recording_under_the_wrong_name(self, tmp_path):
        path = tmp_path / "session.yaml"
        path.write_bytes(bytes(1_100_000))
        with pytest.raises(SessionFileError, match="no session file"):
            load_session(path)

    def test_missing_file(self, tmp_path):
        with pytest.raises(SessionFileError, match="cannot be read"):
            load_session(tmp_path / "gone.yaml")


def test_schema_describes_every_key():
    schema = Session.model_json_schema()
    for model in (schema, schema["$defs"]["Player"]):
        for name, field in model["properties"].items():
            assert field.get("description"), name
    assert json.dumps(schema)


class TestFindRecordings:
    @pytest.fixture
    def inbox(self, tmp_path):
        """Two session folders, one with a broken file, and what else lies about in an inbox."""
        good, broken = tmp_path / "good", tmp_path / "broken"
        for folder in (good, broken, tmp_path / ".hidden", tmp_path / "empty"):
            folder.mkdir()
        write(good, "venue: north")
        write(broken, "venu: south")
        files = ["good/b.mp4", "good/A.MOV", "good/notes.txt", "good/.b.mp4", "good/c.mp4.part"]
        files += ["good/d.tmp.mp4", "good/e.MTS.crdownload", "broken/x.mkv", ".hidden/h.mp4"]
        for name in files:
            (tmp_path / name).touch()
        (good / "deep" / "deeper").mkdir(parents=True)
        (good / "deep" / "deeper" / "f.mp4").touch()
        (good / "folder.mp4").mkdir()
        return tmp_path

    def names(self, sources):
        return [source.path.name for source in sources]

    def test_session_folder(self, inbox):
        sources = find_recordings([inbox / "good"])
        assert self.names(sources) == ["A.MOV", "b.mp4"]
        assert {s.session.venue for s in sources} == {"north"}
        assert {s.session_folder for s in sources} == {inbox / "good"}
        assert all(s.error is None for s in sources)

    def test_folder_of_session_folders(self, inbox):
        (inbox / "loose.mp4").touch()
        sources = find_recordings([inbox])
        assert self.names(sources) == ["loose.mp4", "x.mkv", "A.MOV", "b.mp4"]
        assert [s.session_folder.name for s in sources[1:]] == ["broken", "good", "good"]

    def test_only_one_level_down(self, inbox):
        (inbox / "good" / "deep" / "g.mp4").touch()
        sources = find_recordings([inbox / "good"])
        assert self.names(sources) == ["A.MOV", "b.mp4", "g.mp4"]
        assert sources[2].session == default_session()

    def test_broken_session_file_is_carried_by_its_recordings(self, inbox):
        (source,) = find_recordings([inbox / "broken"])
        assert source.path == inbox / "broken" / "x.mkv"
        assert isinstance(source.error, SessionFileError)
        assert source.session == default_session()

    def test_recording_with_and_without_a_session_beside_it(self, inbox):
        (inbox / "loose.mp4").touch()
        beside, alone = find_recordings([inbox / "good" / "b.mp4", inbox / "loose.mp4"])
        assert (beside.session.venue, beside.session_folder) == ("north", inbox / "good")
        assert (alone.session, alone.session_folder) == (default_session(), None)

    def test_results_are_not_recordings(self, inbox):
        results = inbox / "results"
        results.mkdir()
        (results / "stroke.mp4").touch()
        assert "stroke.mp4" in self.names(find_recordings([inbox]))
        assert "stroke.mp4" not in self.names(find_recordings([inbox], skip=[results]))

    def test_what_gives_no_recording_gives_one_row(self, inbox):
        gone, empty, good = find_recordings(
            [inbox / "gone.mp4", inbox / "empty", inbox / "good" / "b.mp4"]
        )
        assert isinstance(gone.error, FootageError)
        assert "no such file or folder" in str(gone.error)
        assert isinstance(empty.error, FootageError)
        assert "no recording in this folder" in str(empty.error)
        assert good.error is None

    def test_a_folder_that_cannot_be_read(self, inbox, monkeypatch):
        def refuse(folder):
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr(type(inbox), "iterdir", refuse)
        (source,) = find_recordings([inbox])
        assert "it cannot be read" in str(source.error)
        assert source.error.found == "Permission denied"

    def test_each_recording_once(self, inbox):
        again = inbox / "good" / ".." / "good" / "b.mp4"
        sources = find_recordings([again, inbox / "good", inbox / "good"])
        assert self.names(sources) == ["b.mp4", "A.MOV"]

    def test_a_file_is_taken_whatever_its_ending(self, inbox):
        (source,) = find_recordings([inbox / "good" / "notes.txt"])
        assert source.error is None

    def test_misspelt_recording_is_logged(self, inbox, caplog):
        write(inbox / "good", "capture_fps: {bb.mp4: 240}\nrecordings: {a: []}")
        find_recordings([inbox / "good"])
        assert [r.levelname for r in caplog.records] == ["WARNING"]
        assert "'bb.mp4' is named there but not in the folder" in caplog.text
        assert "did you mean 'b.mp4'?" in caplog.text
