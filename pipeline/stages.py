"""The stages of one recording in order, each leaving a product that a rerun finds again."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from paddlebrief import model_store
from paddlebrief.brief.shown import clock
from paddlebrief.closer import CloserFolder, Nets, look_closer
from paddlebrief.closer.weights import weights_digest
from paddlebrief.codeversion import code_digest
from paddlebrief.court import Court, read_court, solve_court, write_court
from paddlebrief.ears import Impact, find_impacts
from paddlebrief.eyes import BallNet, PaddleNet
from paddlebrief.footage import sound_blocks
from paddlebrief.mechanics import measure_strokes
from paddlebrief.players import NamedPlayers, name_players
from paddlebrief.pose_net import PoseNet
from paddlebrief.products import Product, WorkFolder, read_strokes, write_strokes
from paddlebrief.progress import reporter
from paddlebrief.records import FootageInfo, Handedness, MeasuredStroke, Stroke
from paddlebrief.session import Session
from paddlebrief.settings import Settings, digest
from paddlebrief.sight import TrackParts, watch
from paddlebrief.strokes import PaddleHand, find_strokes
from paddlebrief.strokes.grounded import STOOD_S, half_of_court
from paddlebrief.turn.net import TurnNet
from paddlebrief.turn.standing import Stature, expected_stature

__all__ = ["STAGES", "Finding", "RecordingJob"]

STAGES = ("sight", "court", "strokes", "closer", "mechanics")
"""Stages of one recording by name, in order; ``RecordingJob`` has a method for each."""

SOUND_BLOCK_S = 30.0
NO_COURT = (
    "The court was not solved: {reason}. Turns against the net, ball speeds and landing are "
    "therefore missing, and lengths rest on the body height on the roster, or else an assumed one."
)
HIDDEN = (
    "Strokes left out, because another player stood between whoever hit the ball and the camera: "
    "{times}."
)


@dataclass(frozen=True, kw_only=True)
class Finding:
    """What a recording yielded: measured strokes, people followed, and what stayed open."""

    strokes: tuple[MeasuredStroke, ...]
    people: int
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class RecordingJob:
    """One recording with everything its stages need.

    Attributes
    ----------
    info, session
        The recording and what the club wrote about its practice.
    settings
        Settings of all stages; each stage's key holds only those it sees.
    work
        Where products are kept.
    """

    info: FootageInfo
    session: Session
    settings: Settings
    work: WorkFolder

    def product(self, stage: str) -> Product:
        """The product of a stage; its key names the content, the settings and the code."""
        wanted = self.settings
        seen = digest(wanted.sight, self._timing())
        marks = json.dumps(sorted(self.session.court.items()), default=list)
        solved = digest(seen, wanted.court, marks)
        eyes = digest(wanted.eyes, weights_digest(wanted.eyes))
        found = digest(solved, eyes, wanted.ears, wanted.strokes, wanted.players)
        roster = self.session.players_in(self.info.path.name)
        named = digest(found, code_digest("paddlebrief.players"), *roster)
        looked = digest(named, wanted.closer, wanted.ball)
        settings, module = {
            "sight": (seen, "paddlebrief.sight.stage"),
            "court": (solved, "paddlebrief.court.solve"),
            "strokes": (named, "paddlebrief.strokes"),
            "closer": (looked, "paddlebrief.closer.stage"),
            "mechanics": (
                digest(looked, wanted.paddle, wanted.strokes), "paddlebrief.mechanics.stage"
            ),
        }[stage]  # fmt: skip
        return self.work.product(
            stage, content=self.info.content_hash, settings=settings, module=module
        )

    def sight(self) -> Path:
        """Follow everybody; returns the product's folder."""
        product = self.product("sight")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: watching the players")
            watch(
                self.info,
                net=self._pose_net(),
                settings=self.settings.sight,
                folder=folder,
                progress=reporter().share,
            )

        product.make(work)
        return product.folder

    def court(self) -> Path:
        """Solve the camera from the court's lines; needs ``sight``; returns the folder."""
        product = self.product("court")

        def work(folder: Path) -> None:
            solved = solve_court(
                self.info, parts=self.parts(), session=self.session, settings=self.settings.court
            )
            write_court(folder / "court.json", solved)

        product.make(work)
        return product.folder

    def strokes(self) -> Path:
        """Find strokes, unsure ones too; needs ``sight`` and ``court``; returns the folder."""
        product = self.product("strokes")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: finding strokes")
            impacts = self._impacts()
            strokes = self._find(impacts, {})
            hands = self._hands([s for s in strokes if s.sure])
            if hands:
                strokes = self._find(impacts, hands)
            write_strokes(folder / "strokes.json", strokes)

        product.make(work)
        return product.folder

    def closer(self) -> Path:
        """Look closer at each stroke; needs ``court`` and ``strokes``; returns the folder."""
        product = self.product("closer")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: looking closer at each stroke")
            eyes = self.settings.eyes.model_copy(update={"threads": 1})
            nets = [
                Nets(
                    pose=self._pose_net(threads=1),
                    turn=TurnNet(threads=1),
                    paddle=PaddleNet(eyes),
                    ball=BallNet(eyes),
                )
                for _ in range(self.settings.eyes.threads)
            ]
            look_closer(
                self.info,
                self.parts(),
                self._found(),
                self.solved_court(),
                nets=nets,
                settings=self.settings.closer,
                swings=self.settings.strokes,
                sight=self.settings.sight,
                ball=self.settings.ball,
                folder=folder,
            )

        product.make(work)
        return product.folder

    def mechanics(self) -> Path:
        """Measure the strokes; needs ``closer``; returns the product's folder."""
        product = self.product("mechanics")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: measuring")
            closer = self.closer_look()
            strokes = closer.strokes()
            names = self._names(strokes)
            named = [replace(s, player=names.name(s.person, s.contact_s)) for s in strokes]
            measured = measure_strokes(
                self.info,
                [s for s in named if s.player not in names.strangers],
                parts=self.parts(),
                court=self.solved_court(),
                closer=closer,
                sight=self.settings.sight,
                paddle=self.settings.paddle,
                ball=self.settings.ball,
                impacts=self._impacts(),
                ears=self.settings.ears,
                statures=self._statures(),
                unsure_below=self.settings.strokes.unsure_below,
            )
            write_strokes(folder / "measured.json", measured)
            (folder / "notes.json").write_text(json.dumps(names.notes), encoding="utf-8")

        product.make(work)
        return product.folder

    def finding(self) -> Finding:
        """What the finished stages say."""
        folder = self.product("mechanics").folder
        notes = json.loads((folder / "notes.json").read_text(encoding="utf-8"))
        court = self.solved_court()
        about_court = [NO_COURT.format(reason=court.reason)] if court.reason else []
        hidden = ", ".join(clock(t, decimals=0) for t in self.closer_look().hidden_s())
        about_hidden = [HIDDEN.format(times=hidden)] if hidden else []
        return Finding(
            strokes=tuple(read_strokes(folder / "measured.json")),
            people=len(self.parts().summary().people),
            notes=(*notes, *about_hidden, *about_court, *(f"Court: {n}." for n in court.notes)),
        )

    def parts(self) -> TrackParts:
        """The tracks of the finished sight stage."""
        return TrackParts(self.product("sight").folder)

    def solved_court(self) -> Court:
        """The result of the finished court stage, solved or not."""
        return read_court(self.product("court").folder / "court.json")

    def closer_look(self) -> CloserFolder:
        """What the finished closer look saw."""
        return CloserFolder(self.product("closer").folder)

    def _found(self) -> list[Stroke]:
        return read_strokes(self.product("strokes").folder / "strokes.json")

    def _pose_net(self, threads: int | None = None) -> PoseNet:
        files = model_store.ensure_models(self.settings.models.folder)
        return PoseNet(
            detector=files["pose_detection.tflite"],
            landmarker=files["pose_landmark_full.tflite"],
            threads=threads or self.settings.sight.threads,
        )

    def _timing(self) -> str:
        return str(self.info.capture_rate)

    def _impacts(self) -> list[Impact]:
        if self.info.sound_rate_hz is None:
            return []
        blocks = sound_blocks(self.info.path, block_s=SOUND_BLOCK_S)
        return find_impacts(blocks, self.settings.ears)

    def _find(self, impacts: list[Impact], hands: dict[int, Handedness]) -> list[Stroke]:
        parts = self.parts()
        return find_strokes(
            self.info,
            parts,
            impacts=impacts,
            handedness=hands,
            names={},
            settings=self.settings.strokes,
            sight=self.settings.sight,
            ears=self.settings.ears,
            court=self.solved_court(),
            holding=PaddleHand(self.info, parts, PaddleNet(self.settings.eyes)),
            progress=reporter().share,
        )

    def _hands(self, strokes: Sequence[Stroke]) -> dict[int, Handedness]:
        """Hitting hands by person where the roster knows another than was told; else empty."""
        told = {s.person: s.hand for s in strokes}
        known = self._names(strokes).hands
        wrong = any(told[p] is not hand for p, hand in known.items())
        return {**told, **known} if wrong else {}

    def _statures(self) -> dict[str, Stature]:
        return {
            p.name: expected_stature(height_m=p.height_m, minor=p.minor)
            for p in self.session.players_in(self.info.path.name)
        }

    def _names(self, strokes: Sequence[Stroke]) -> NamedPlayers:
        """Who hit these strokes, by clothes, hands and roster."""
        parts = self.parts()
        told = {s.person: s.hand for s in strokes}
        return name_players(
            [p for p in parts.summary().people if p.person in told],
            told,
            self.session.players_in(self.info.path.name),
            self.settings.players,
            looks=parts.looks(),
            swings={p: [s.contact_s for s in strokes if s.person == p] for p in told},
            halves=self._halves(strokes),
        )

    def _halves(self, strokes: Sequence[Stroke]) -> dict[int, int]:
        """Half of the court from which each person swings, of those who keep to one."""
        parts, court, stood = self.parts(), self.solved_court(), STOOD_S * self.info.slow_factor
        found: dict[int, set[int]] = {}
        for stroke in strokes:
            camera, time_s = court.at(stroke.contact_s), stroke.contact_s
            if camera is not None:
                track = parts.window(stroke.person, time_s - stood, time_s + stood)
                found.setdefault(stroke.person, set()).add(half_of_court(track, camera, time_s))
        known = {person: halves - {0} for person, halves in found.items()}
        return {person: next(iter(h)) for person, h in known.items() if len(h) == 1}
