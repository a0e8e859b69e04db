"""Briefs of a session whose strokes are known, and what is kept away from pages."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from paddlebrief.closer import CloserFolder
from paddlebrief.court import Court
from paddlebrief.flows.brief import _with_consent
from paddlebrief.footage import inspect
from paddlebrief.mechanics import measure_strokes
from paddlebrief.outcome import Outcome, RunResult, as_json
from paddlebrief.products import WorkFolder
from paddlebrief.publish import session_jobs, status_page
from paddlebrief.ranking import load_targets
from paddlebrief.report import finish_run
from paddlebrief.session import Player, RecordingSource, Session
from paddlebrief.settings import load_settings
from paddlebrief.sight import TrackParts
from paddlebrief.stages import Finding
from paddlebrief.store import RunStatus
from tests.bodies2d import swing_points, track
from tests.clips import constant_times, write_clip
from tests.test_strokes import found_in, noisy, parts_of

CONTACTS = (2.0, 5.0, 8.0, 11.0, 14.0)
SETTINGS = load_settings()


@dataclass(frozen=True)
class Finished:
    """A recording whose stages are done, with nothing found by a closer look."""

    tracks: TrackParts

    def parts(self) -> TrackParts:
        return self.tracks

    def closer_look(self) -> CloserFolder:
        return CloserFolder(self.tracks.folder)


def _practice(folder: Path, name: str, session: Session, player: str) -> tuple[Outcome, Finished]:
    """A recording with five drives of one player, the second and the last falling."""
    time = np.arange(16 * 30) / 30
    points = swing_points(time, CONTACTS[0])
    for number, contact in enumerate(CONTACTS):
        near = np.abs(time - contact) <= 0.7
        rise = -0.6 if number in (1, 4) else 0.3
        points[near] = swing_points(time[near], contact, rise_bh=rise)
    swinging = np.min(np.abs(time[:, None] - CONTACTS), axis=1) <= 0.7
    for landmark, axis in np.ndindex(points.shape[1:]):  # back to the next swing in no hurry
        known = points[swinging, landmark, axis]
        points[:, landmark, axis] = np.interp(time, time[swinging], known)
    clip = write_clip(folder / name, times_s=constant_times(Fraction(30), len(time)))
    info = inspect(clip)
    parts = parts_of(folder / f"{name}.tracks", track(noisy(points), time))
    strokes = [replace(s, player=player) for s in found_in(info, parts)]
    done = Finished(parts)
    measured = measure_strokes(
        info, strokes, parts=parts, court=Court(reason="no lines"), closer=done.closer_look(),
        sight=SETTINGS.sight, paddle=SETTINGS.paddle, ball=SETTINGS.ball,
        impacts=[], ears=SETTINGS.ears, statures={}, unsure_below=0.65,
    )  # fmt: skip
    now = datetime.now(UTC)
    source = RecordingSource(path=clip, session_folder=folder, session=session)
    outcome = Outcome(
        source=source, status=RunStatus.DONE, message="", info=info, strokes=tuple(measured),
        people=1, started_at=now, finished_at=now,
    )  # fmt: skip
    return outcome, done


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    place = tmp_path_factory.mktemp("club")
    folder = place / "monday"
    folder.mkdir()
    session = Session(players=[Player(name="Ana & Co", consent=True, minor=True)])
    outcome, done = _practice(folder, "one.mp4", session, "Ana & Co")
    (job,) = session_jobs(
        [outcome], {outcome.source.path: done}, settings=SETTINGS, targets=load_targets(),
        work=WorkFolder(place / "out" / "work"),
    )  # fmt: skip
    return place, job, job.make()


def test_one_brief_a_player_with_stills_and_the_players_name(published):
    _, _, files = published
    assert [f.name for f in files] == ["monday-Ana-Co.pdf"]
    reader = PdfReader(files[0])
    text = " ".join(p.extract_text() for p in reader.pages)
    assert "Ana & Co" in text
    assert "guardians" in text  # a minor
    pictures = sum(len(p.images) for p in reader.pages)
    assert pictures >= 3
    assert pictures % 3 == 0


def test_a_brief_is_made_once(published):
    _, job, files = published
    assert not job.product().make(lambda folder: pytest.fail("made again"))
    assert job.make() == files


def test_other_settings_of_the_page_make_another_product(published):
    _, job, _ = published
    letter = SETTINGS.model_copy(
        update={"brief": SETTINGS.brief.model_copy(update={"paper": "Letter"})}
    )
    assert replace(job, settings=letter).product().key != job.product().key


def test_unnamed_players_of_two_recordings_are_not_taken_for_one(tmp_path):
    folder = tmp_path / "monday"
    folder.mkdir()
    pairs = [_practice(folder, n, Session(), "A") for n in ("one.mp4", "two.mp4")]
    jobs = {o.source.path: done for o, done in pairs}
    (job,) = session_jobs([o for o, _ in pairs], jobs, settings=SETTINGS,
                          targets=load_targets(), work=WorkFolder(tmp_path))  # fmt: skip
    assert {s.stroke.player for s in job.strokes} == {"A (one)", "A (two)"}


def test_who_refuses_consent_is_left_out(published):
    _, job, _ = published
    session = Session(players=[Player(name="Ana & Co", consent=False)])
    finding = Finding(strokes=job.strokes, people=1, notes=())

    class Job:
        pass

    asked = Job()
    asked.session = session
    assert _with_consent(finding, asked).strokes == ()


def test_finishing_writes_tables_and_forgets_stale_files(published):
    place, job, files = published
    out = place / "out"

    def finish(sessions, briefs, outcomes):
        return finish_run(
            out=out, database=out / "records.db", settings=SETTINGS, sessions=sessions,
            outcomes=outcomes, brief_files=briefs, wall_s=1.0, peak_rss_mb=1.0,
            pages=lambda o, folder: status_page(o, folder, SETTINGS),
        )  # fmt: skip

    (outcome,) = job.outcomes
    result = finish([job], {job.label: files}, [outcome])
    assert [p.name for p in result.briefs] == ["monday-Ana-Co.pdf"]
    assert (out / "strokes.csv").read_text(encoding="utf-8-sig").count("one.mp4") == 5
    empty = replace(outcome, strokes=(), status=RunStatus.NOTHING, message="no stroke found")
    result = finish([], {}, [empty])
    assert not (out / "monday-Ana-Co.pdf").exists()
    assert (out / "one-status.pdf").exists()


def test_json_has_the_documented_keys(published):
    place, job, _ = published
    plain = as_json(RunResult(out=place, outcomes=job.outcomes, briefs=()))
    assert {"recordings", "briefs"} <= plain.keys()
    (recording,) = plain["recordings"]
    assert {"path", "status", "message", "strokes"} <= recording.keys()
    keys = {"player", "contact_s", "contact_s_sd", "side", "kind", "kind_probability"}
    assert set(recording["strokes"][0]) == keys
