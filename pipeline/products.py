"""Products of stages on disk: each in a folder of its own, complete or not there at all."""

import json
import shutil
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from paddlebrief.codeversion import code_digest
from paddlebrief.records import (
    FrameOfReference,
    Handedness,
    Kind,
    Measure,
    MeasuredStroke,
    Side,
    Stroke,
)

__all__ = ["Product", "WorkFolder", "read_strokes", "write_strokes"]

DONE = "done"


@dataclass(frozen=True, kw_only=True)
class Product:
    """Where a stage's result belongs. ``key`` names everything that it depends on."""

    stage: str
    key: str
    folder: Path

    @property
    def finished(self) -> bool:
        """Whether the result is there and whole."""
        return (self.folder / DONE).is_file()

    def make(self, work: Callable[[Path], None]) -> bool:
        """Fill the folder by ``work(folder)`` unless finished; True when work was done.

        ``work`` gets a folder beside the final one, which keeps what a killed call left there,
        so that stages which can go on do. It is renamed when ``work`` returns.
        """
        if self.finished:
            return False
        beside = self.folder.with_name(self.folder.name + ".part")
        beside.mkdir(parents=True, exist_ok=True)
        work(beside)
        (beside / DONE).write_text(self.key + "\n", encoding="utf-8")
        if self.folder.exists():
            shutil.rmtree(self.folder)
        beside.replace(self.folder)
        return True


class WorkFolder:
    """The folder that keeps products between runs, under a run's output folder."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def product(self, stage: str, *, content: str, settings: str, module: str) -> Product:
        """The product of a stage for one input.

        Parameters
        ----------
        stage
            Name of the stage.
        content
            Hash of the input.
        settings
            Digest of the settings that the stage sees.
        module
            Module of the stage, whose code counts towards the key.
        """
        code = code_digest(module)
        key = f"{stage}-{content}-{settings}-{code}"
        folder = self.root / content[:16] / f"{stage}-{settings[:8]}-{code[:8]}"
        return Product(stage=stage, key=key, folder=folder)


@contextmanager
def locked(root: Path):
    """Hold a work folder for one run at a time; a second run waits for the first."""
    import fcntl

    root.mkdir(parents=True, exist_ok=True)
    with (root / "lock").open("a") as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


def write_strokes(path: Path, strokes: Sequence[Stroke] | Sequence[MeasuredStroke]) -> None:
    """Write strokes, measured or not, as JSON; numbers come back exactly."""
    path.write_text(json.dumps([asdict(s) for s in strokes], indent=1), encoding="utf-8")


def read_strokes(path: Path) -> list:
    """Strokes or measured strokes as written by ``write_strokes``."""
    return [_read(raw) for raw in json.loads(path.read_text(encoding="utf-8"))]


def _read(raw: dict) -> Stroke | MeasuredStroke:
    if "stroke" in raw:
        measures = tuple(
            Measure(**{**m, "frame": FrameOfReference(m["frame"])}) for m in raw["measures"]
        )
        return MeasuredStroke(
            recording=raw["recording"], stroke=_read(raw["stroke"]), measures=measures
        )
    probabilities = {Kind(k): p for k, p in raw["kind_probabilities"].items()}
    typed = {
        "hand": Handedness(raw["hand"]),
        "side": Side(raw["side"]),
        "kind": Kind(raw["kind"]),
        "kind_probabilities": probabilities,
    }
    return Stroke(**{**raw, **typed})
