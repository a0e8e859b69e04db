"""The stages of one recording in order, each leaving a product that a rerun finds again."""

import json
from dataclasses import dataclass, replace
from pathlib import Path

from paddlebrief import model_store
from paddlebrief.ears import Impact, find_impacts
from paddlebrief.footage import sound_blocks
from paddlebrief.mechanics import measure_strokes
from paddlebrief.players import name_players
from paddlebrief.pose_net import PoseNet
from paddlebrief.products import Product, WorkFolder, read_strokes, write_strokes
from paddlebrief.progress import reporter
from paddlebrief.records import FootageInfo, MeasuredStroke, Stroke
from paddlebrief.session import Session
from paddlebrief.settings import Settings, digest
from paddlebrief.sight import TrackParts, watch
from paddlebrief.strokes import find_strokes

__all__ = ["STAGES", "Finding", "RecordingJob"]

STAGES = ("sight", "strokes", "mechanics")
"""Stages of one recording by name, in order; ``RecordingJob`` has a method for each."""

SOUND_BLOCK_S = 30.0


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
        seen = digest(self.settings.sight, self._timing())
        found = digest(seen, self.settings.ears, self.settings.strokes, self.settings.players)
        named = digest(found, *self.session.players_in(self.info.path.name))
        settings, module = {
            "sight": (seen, "paddlebrief.sight.stage"),
            "strokes": (named, "paddlebrief.strokes.find"),
            "mechanics": (named, "paddlebrief.mechanics.stage"),
        }[stage]
        return self.work.product(
            stage, content=self.info.content_hash, settings=settings, module=module
        )

    def sight(self) -> Path:
        """Follow everybody; returns the product's folder."""
        product = self.product("sight")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: watching the players")
            files = model_store.ensure_models(self.settings.models.folder)
            net = PoseNet(
                detector=files["pose_detection.tflite"],
                landmarker=files["pose_landmark_full.tflite"],
                threads=self.settings.sight.threads,
            )
            watch(
                self.info,
                net=net,
                settings=self.settings.sight,
                folder=folder,
                progress=reporter().share,
            )

        product.make(work)
        return product.folder

    def strokes(self) -> Path:
        """Find strokes and name their players; needs ``sight``; returns the product's folder."""
        product = self.product("strokes")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: finding strokes")
            parts = TrackParts(self.product("sight").folder)
            impacts = self._impacts()
            strokes, notes = self._named(parts, self._find(parts, impacts, {}), impacts)
            write_strokes(folder / "strokes.json", strokes)
            extra = {"notes": notes, "impacts": len(impacts)}
            (folder / "notes.json").write_text(json.dumps(extra), encoding="utf-8")

        product.make(work)
        return product.folder

    def mechanics(self) -> Path:
        """Measure the strokes; needs ``strokes``; returns the product's folder."""
        product = self.product("mechanics")

        def work(folder: Path) -> None:
            reporter().begin(f"{self.info.path.name}: measuring")
            strokes = read_strokes(self.product("strokes").folder / "strokes.json")
            parts = TrackParts(self.product("sight").folder)
            measured = measure_strokes(self.info, parts, strokes, sight=self.settings.sight)
            write_strokes(folder / "measured.json", measured)

        product.make(work)
        return product.folder

    def finding(self) -> Finding:
        """What the finished stages say."""
        notes = json.loads((self.product("strokes").folder / "notes.json").read_text("utf-8"))
        return Finding(
            strokes=tuple(read_strokes(self.product("mechanics").folder / "measured.json")),
            people=len(self.parts().summary().people),
            notes=tuple(notes["notes"]),
        )

    def parts(self) -> TrackParts:
        """The tracks of the finished sight stage."""
        return TrackParts(self.product("sight").folder)

    def _timing(self) -> str:
        return str(self.info.capture_rate)

    def _impacts(self) -> list[Impact]:
        if self.info.sound_rate_hz is None:
            return []
        blocks = sound_blocks(self.info.path, block_s=SOUND_BLOCK_S)
        return find_impacts(blocks, self.settings.ears)

    def _find(self, parts: TrackParts, impacts: list[Impact], hands: dict) -> list[Stroke]:
        return find_strokes(
            self.info,
            parts,
            impacts=impacts,
            handedness=hands,
            names={},
            settings=self.settings.strokes,
            sight=self.settings.sight,
            ears=self.settings.ears,
            progress=reporter().share,
        )

    def _named(
        self, parts: TrackParts, strokes: list[Stroke], impacts: list[Impact]
    ) -> tuple[list[Stroke], list[str]]:
        """Strokes under their players' names; found anew where the roster knows another hand."""
        told = {s.person: s.hand for s in strokes}
        people = [p for p in parts.summary().people if p.person in told]
        roster = self.session.players_in(self.info.path.name)
        named = name_players(people, told, roster, self.settings.players)
        if any(told[p] is not hand for p, hand in named.hands.items()):
            strokes = self._find(parts, impacts, dict(named.hands))
        return [replace(s, player=named.names[s.person]) for s in strokes], list(named.notes)
