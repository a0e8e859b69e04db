"""The product of the closer look on disk: one file a stroke and kind of look."""

import json
from collections.abc import Sequence
from pathlib import Path
from zipfile import BadZipFile

import numpy as np

from paddlebrief.ball import BallTrack, Candidates
from paddlebrief.ball.files import read_candidates, read_tracks, write_candidates, write_tracks
from paddlebrief.errors import StoreError
from paddlebrief.paddle import PaddleTrack
from paddlebrief.products import read_strokes, write_strokes
from paddlebrief.records import Stroke
from paddlebrief.store.files import written_whole
from paddlebrief.turn.fusion import Turns

__all__ = ["CloserFolder"]


class CloserFolder:
    """What was seen of each stroke; strokes go by their number.

    Whatever was not looked for, or looked for in vain, reads as None.

    Parameters
    ----------
    folder
        Of the stage's product, finished or being filled.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def looked(self, number: int) -> bool:
        """Whether a stroke was looked at already; what a killed run left is not done again."""
        return self._seen(number).exists()

    def finish_stroke(self, number: int) -> None:
        """Remember that everything of a stroke was looked at."""
        self._seen(number).touch()

    def write_strokes(self, strokes: Sequence[Stroke]) -> None:
        """Keep the confirmed strokes; the numbers of all other files are theirs."""
        with written_whole(self._strokes) as beside:
            write_strokes(beside, strokes)

    def strokes(self) -> list[Stroke] | None:
        """The confirmed strokes; None before there are any."""
        return read_strokes(self._strokes) if self._strokes.exists() else None

    def write_hidden(self, hidden_s: Sequence[float]) -> None:
        """Keep when somebody hit a ball whom another player hid, presentation times."""
        with written_whole(self._hidden) as beside:
            Path(beside).write_text(json.dumps(list(hidden_s)), encoding="utf-8")

    def hidden_s(self) -> list[float]:
        """Presentation times at which somebody hit a ball whom another player hid."""
        return json.loads(self._hidden.read_text(encoding="utf-8")) if self._hidden.exists() else []

    def write_turns(self, number: int, turns: Turns | None) -> None:
        """Keep a stroke's turns; None keeps nothing."""
        if turns is None:
            return
        with written_whole(self._turns(number)) as beside, beside.open("wb") as file:
            np.savez_compressed(file, **turns.arrays())

    def turns(self, number: int) -> Turns | None:
        """A stroke's turns.

        Raises
        ------
        StoreError
            When the file breaks off or holds something else.
        """
        path = self._turns(number)
        if not path.exists():
            return None
        try:
            with np.load(path, allow_pickle=False) as stored:
                return Turns.from_arrays(stored)
        except (OSError, KeyError, ValueError, BadZipFile) as error:
            raise StoreError(
                "not a stroke's turns", file=path, found=str(error), todo="run the recording again"
            ) from error

    def write_paddle(self, number: int, track: PaddleTrack) -> None:
        """Keep where the paddle was seen through a stroke."""
        track.save(self._paddle(number))

    def paddle(self, number: int) -> PaddleTrack | None:
        """Where the paddle was seen through a stroke."""
        path = self._paddle(number)
        return PaddleTrack.load(path) if path.exists() else None

    @property
    def balls_watched(self) -> bool:
        """Whether balls were looked for already."""
        return self._balls.exists()

    def write_balls(self, candidates: Candidates) -> None:
        """Keep what may be a ball, over the whole recording."""
        write_candidates(self._balls, candidates)

    def balls(self) -> Candidates | None:
        """What may be a ball, over the whole recording."""
        return read_candidates(self._balls) if self.balls_watched else None

    def write_tracks(self, tracks: Sequence[BallTrack]) -> None:
        """Keep the balls in flight."""
        write_tracks(self._tracks, tracks)

    def tracks(self) -> list[BallTrack]:
        """Balls in flight, in order of time; empty when none flew or none were looked for."""
        return read_tracks(self._tracks) if self._tracks.exists() else []

    def _turns(self, number: int) -> Path:
        return self._folder / f"stroke-{number:04d}-turns.npz"

    def _paddle(self, number: int) -> Path:
        return self._folder / f"stroke-{number:04d}-paddle.npz"

    def _seen(self, number: int) -> Path:
        return self._folder / f"stroke-{number:04d}.looked"

    @property
    def _strokes(self) -> Path:
        return self._folder / "strokes.json"

    @property
    def _hidden(self) -> Path:
        return self._folder / "hidden.json"

    @property
    def _tracks(self) -> Path:
        return self._folder / "tracks.npz"

    @property
    def _balls(self) -> Path:
        return self._folder / "balls.npz"
