"""From outcomes to what a club reads: rankings, briefs, status pages, tables and records."""

import json
import re
import shutil
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

from pydantic import BaseModel

from paddlebrief import model_store
from paddlebrief.brief import content, status
from paddlebrief.brief.layout import write_brief, write_status
from paddlebrief.brief.template import Templates, load_templates
from paddlebrief.outcome import Outcome
from paddlebrief.pictures import draw_stroke, strokes_to_draw
from paddlebrief.products import Product, WorkFolder
from paddlebrief.progress import reporter
from paddlebrief.ranking import TargetBook, rank
from paddlebrief.records import FootageInfo, MeasuredStroke, PlayerRanking
from paddlebrief.session import Session
from paddlebrief.settings import Settings, digest
from paddlebrief.stages import RecordingJob
from paddlebrief.version import __version__

__all__ = ["SessionJob", "session_jobs", "status_page"]


@dataclass(frozen=True, kw_only=True)
class SessionJob:
    """The recordings of one session that hold strokes, and how to make their briefs.

    Attributes
    ----------
    label
        Short name for files: the session's folder or the recording.
    session
        What the club wrote about it.
    outcomes
        Recordings with at least one stroke.
    jobs
        Their finished stages, by recording label.
    settings, targets, work
        Settings, the targets of the ranking, and where products are kept.
    """

    label: str
    session: Session
    outcomes: tuple[Outcome, ...]
    jobs: dict[str, RecordingJob]
    settings: Settings
    targets: TargetBook
    work: WorkFolder

    @property
    def strokes(self) -> tuple[MeasuredStroke, ...]:
        return tuple(s for o in self.outcomes for s in o.strokes)

    @property
    def templates(self) -> Templates:
        return load_templates(self.settings.brief.templates)

    def _names(self) -> set[str]:
        return {m.name for s in self.strokes for m in s.measures}

    def rankings(self) -> list[PlayerRanking]:
        """Best and worst of every player, kind and side."""
        labels = {n: self.templates.measure_text(n).label for n in self._names()}
        return rank(
            self.strokes,
            book=self.targets,
            settings=self.settings.ranking,
            labels=labels,
            units=self.settings.brief.units,
        )

    def product(self) -> Product:
        """The product that holds the session's stills and briefs."""
        settings = self.settings
        words = vars(self.templates).values()
        seen = digest(
            *(settings.brief, settings.ranking, settings.sight, self.targets, self.session),
            *(w for w in words if isinstance(w, BaseModel)),
        )
        hashes = [o.info.content_hash for o in self.outcomes]
        found = digest(json.dumps([repr(s) for s in self.strokes]), *hashes, self.label)
        return self.work.product("brief", content=found, settings=seen, module=__name__)

    def make(self) -> list[Path]:
        """Write one brief a player; returns the PDF files inside the product."""
        product = self.product()
        product.make(self._write)
        return sorted(product.folder.glob("*.pdf"))

    def _write(self, folder: Path) -> None:
        reporter().begin(f"{self.label}: writing briefs")
        rankings = self.rankings()
        shown = strokes_to_draw(self.strokes, rankings, shown=self.settings.brief.strokes_shown)
        infos = {o.strokes[0].recording: o.info for o in self.outcomes}
        pictures = {}
        for done, measured in enumerate(shown):
            still = folder / "stills" / _slug(measured.recording)
            pictures[measured.recording, measured.stroke.number] = draw_stroke(
                infos[measured.recording],
                self.jobs[measured.recording].parts(),
                measured,
                closer=self.jobs[measured.recording].closer_look(),
                sight=self.settings.sight,
                templates=self.templates,
                folder=still,
            )
            reporter().share(0.8 * (done + 1) / len(shown))
        for player in sorted({s.stroke.player for s in self.strokes}):
            self._write_player(folder, player, rankings, pictures, infos)

    def _write_player(
        self,
        folder: Path,
        player: str,
        rankings: list[PlayerRanking],
        pictures: dict,
        infos: dict[str, FootageInfo],
    ) -> None:
        seen_in = {s.recording for s in self.strokes if s.stroke.player == player}
        on_roster = player in {p.name for p in self.session.players}
        brief = content.build(
            player=player,
            called=player if on_roster else f"Player {player}",
            measured=self.strokes,
            rankings=rankings,
            session_facts=content.SessionFacts(
                date=self.session.date,
                venue=self.session.venue,
                recordings=tuple(i for name, i in infos.items() if name in seen_in),
            ),
            pictures=pictures,
            notes=self._notes(player),
            provenance=provenance(self.settings, list(infos.values())),
            units=self.settings.brief.units,
            strokes_shown=self.settings.brief.strokes_shown,
            templates=self.templates,
        )
        write_brief(
            brief,
            folder / f"{self.label}-{_slug(player)}.pdf",
            page_size=self.settings.brief.paper,
            templates=self.templates,
        )

    def _notes(self, player: str) -> list[str]:
        said_of_all = [n for o in self.outcomes for n in o.notes]
        notes = [n for n in said_of_all if f"Player {player} " in n or not n.startswith("Player ")]
        member = next((p for p in self.session.players if p.name == player), None)
        said = self.templates.guidance.consent
        if member is None or member.consent is None:
            notes.append(said.unknown)
        if member is not None and member.minor:
            notes.append(said.minor)
        return notes


def provenance(settings: Settings, infos: Sequence[FootageInfo]) -> content.Provenance:
    """What pages made now can be made from again."""
    return content.Provenance(
        version=__version__,
        made=datetime.now(UTC).astimezone(),
        settings_digest=digest(settings),
        recordings={i.path.name: i.content_hash for i in infos},
        models={f.name: f.sha256 for f in model_store.BODY_MODELS},
    )


def session_jobs(
    outcomes: Sequence[Outcome],
    jobs: Mapping[Path, RecordingJob],
    *,
    settings: Settings,
    targets: TargetBook,
    work: WorkFolder,
) -> list[SessionJob]:
    """Sessions that have strokes, each with a label of its own; empty when none has.

    ``jobs`` are the recordings' finished stages by path.
    Unnamed players of a session with several recordings are told apart by recording, because
    nothing says that the first recording's A is the second's.
    """
    groups: dict[Path, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        if outcome.strokes:
            groups[outcome.source.session_folder or outcome.source.path].append(outcome)
    sessions: list[SessionJob] = []
    for place, group in groups.items():
        label = _slug(place.name if group[0].source.session_folder else place.stem)
        taken = {s.label for s in sessions}
        if label in taken:
            label = f"{label}-{group[0].info.content_hash[:6]}"
        sessions.append(
            SessionJob(
                label=label,
                session=group[0].source.session,
                outcomes=tuple(_apart(group)),
                jobs={o.strokes[0].recording: jobs[o.source.path] for o in group},
                settings=settings,
                targets=targets,
                work=work,
            )
        )
    return sessions


def _apart(group: list[Outcome]) -> list[Outcome]:
    if len(group) < 2:
        return group
    roster = {p.name for p in group[0].source.session.players}
    return [
        replace(
            o,
            strokes=tuple(
                s
                if s.stroke.player in roster
                else replace(
                    s,
                    stroke=replace(
                        s.stroke, player=f"{s.stroke.player} ({Path(s.recording).stem})"
                    ),
                )
                for s in o.strokes
            ),
        )
        for o in group
    ]


def status_page(outcome: Outcome, folder: Path, settings: Settings) -> Path:
    """Write the page of a recording without a brief: what happened and what to do."""
    path = folder / f"{_slug(outcome.source.path.stem)}-status.pdf"
    infos = [outcome.info] if outcome.info else []
    made_from = provenance(settings, infos)
    templates = load_templates(settings.brief.templates)
    if outcome.error is not None:
        page = status.failed(
            recording=outcome.source.path.name,
            error=outcome.error,
            provenance=made_from,
            info=outcome.info,
            templates=templates,
        )
    else:
        page = status.no_stroke(
            info=outcome.info, people=outcome.people, provenance=made_from, templates=templates
        )
    write_status(page, path, page_size=settings.brief.paper, templates=templates)
    return path


def hand_over(files: Sequence[Path], out: Path) -> list[Path]:
    """Put finished files into the output folder, each beside first, then renamed."""
    placed = []
    for file in files:
        target = out / file.name
        beside = out / f".{file.name}.part"
        shutil.copyfile(file, beside)
        beside.replace(target)
        placed.append(target)
    return placed


def _slug(name: str) -> str:
    """A name fit for a file on any system; letters of all scripts stay."""
    return re.sub(r"[^\w.-]+", "-", name).strip("-.") or "unnamed"
