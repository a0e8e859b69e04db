"""Makes a rehearsal: a session as a club would drop it in the inbox, and the truth beside it."""

import logging
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import get_args

import numpy as np
import yaml

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.dress import ColourWord, Look, dress, make_look
from paddlebrief.rehearsal.film import Moments, render_film
from paddlebrief.rehearsal.filming import Filming
from paddlebrief.rehearsal.scenario import load_scenario
from paddlebrief.rehearsal.sound import SOUND_RATE_HZ, render_sound
from paddlebrief.rehearsal.staging import FEEDER_M, StagedPlayer, Staging, stage
from paddlebrief.rehearsal.truth import write_truth

__all__ = ["Progress", "SampledWorld", "rehearse"]

logger = logging.getLogger(__name__)

Progress = Callable[[str, float], None]
"""Is told what is being done and which share of it is done, 0 to 1."""

_GRID_HZ = 1000
_PIECE_S = 1.0


class SampledWorld:
    """Joints, paddles and balls at any times, quickly.

    Motion is sampled on a grid of a millisecond and interpolated, which moves no point by more
    than a tenth of a millimetre (an eighth of the step squared times 600 m/s²).
    """

    def __init__(self, staging: Staging) -> None:
        self._staging = staging
        self._pieces: dict[int, list[tuple[np.ndarray, ...]]] = {}

    def __call__(self, time_s: np.ndarray) -> Moments:
        """The world at (n,) rising times that lie within a second of each other."""
        time_s = np.asarray(time_s, dtype=float)
        actors = [self._at(k, time_s) for k in range(len(self._staging.players))]
        return Moments(
            joints=tuple((positions, rotations) for positions, rotations, _, _ in actors),
            paddles=tuple((butt, turned) for _, _, butt, turned in actors),
            balls_m=self._staging.ball_places(time_s),
        )

    def _at(self, player: int, time_s: np.ndarray) -> list[np.ndarray]:
        first = int(np.floor(time_s[0] / _PIECE_S))
        last = int(np.floor(time_s[-1] / _PIECE_S))
        place = (time_s - first * _PIECE_S) * _GRID_HZ
        steps = [self._piece(k)[player] for k in range(first, last + 1)]
        low = np.floor(place).astype(int)
        share = place - low
        values = []
        for parts in zip(*steps, strict=True):
            grid = parts[0] if len(parts) == 1 else np.concatenate([parts[0][:-1], *parts[1:]])
            lower, upper = grid[low], grid[low + 1]
            weight = share.reshape(-1, *[1] * (grid.ndim - 1))
            values.append(lower + weight * (upper - lower))
        return values

    def _piece(self, number: int) -> list[tuple[np.ndarray, ...]]:
        if number not in self._pieces:
            count = round(_PIECE_S * _GRID_HZ)
            grid = number * _PIECE_S + np.arange(count + 1) / _GRID_HZ
            self._pieces = {k: p for k, p in self._pieces.items() if abs(k - number) <= 1}
            self._pieces[number] = [_sampled(p, grid) for p in self._staging.players]
        return self._pieces[number]


def _sampled(player: StagedPlayer, time_s: np.ndarray) -> tuple[np.ndarray, ...]:
    show = player.motion.perform(time_s)
    joints = player.body.joints(show.root_position_m, show.local_rotations)
    return (*joints, show.butt_m, show.paddle_rotation)


def rehearse(
    path_or_preset: str | Path,
    out_dir: str | Path,
    *,
    seed: int | None = None,
    progress: Progress | None = None,
) -> Path:
    """Render a scenario with sound and write everything that is true about it.

    Parameters
    ----------
    path_or_preset
        A scenario file, or the name of one that ships with the package.
    out_dir
        Gets ``session/`` and ``truth/``. It is written beside and renamed when whole; an earlier
        rehearsal of that name is replaced, anything else is left alone.
    seed
        Replaces the scenario's.
    progress
        Is told how far the work is.

    Returns
    -------
    Path
        ``out_dir``.

    Raises
    ------
    RehearsalError
        When the scenario cannot be used, or ``out_dir`` holds something else.
    """
    scenario = load_scenario(path_or_preset)
    seed = scenario.seed if seed is None else seed
    tell = progress or (lambda what, share: None)
    out_dir = Path(out_dir)
    _refuse_to_overwrite(out_dir)
    tell("putting players on the court", 0.0)
    staging = stage(scenario, seed)
    film = Filming(scenario.camera, length_s=staging.length_s, seed=seed)
    beside = out_dir.with_name(out_dir.name + ".part")
    shutil.rmtree(beside, ignore_errors=True)
    (beside / "session").mkdir(parents=True)
    (beside / "truth").mkdir()
    looks = _looks(staging, seed)
    _write_session(beside / "session" / "session.yaml", staging, looks)
    tell("writing the truth", 0.0)
    write_truth(beside / "truth", staging, film)
    _render(beside / "session" / scenario.recording, staging, film, looks, seed, tell)
    if out_dir.exists():
        shutil.rmtree(out_dir)
    beside.replace(out_dir)
    logger.info("%s: %d strokes in %.0f s", out_dir, len(staging.strokes), staging.length_s)
    return out_dir


def _refuse_to_overwrite(out_dir: Path) -> None:
    if not out_dir.exists():
        return
    inside = {p.name for p in out_dir.iterdir()} if out_dir.is_dir() else {"a file"}
    if not inside <= {"session", "truth"}:
        raise RehearsalError(
            "the folder is not an earlier rehearsal",
            file=out_dir,
            expected="a new folder, or one with session and truth only",
            found=", ".join(sorted(inside)[:4]),
            todo="choose another folder",
        )


def _render(path: Path, staging: Staging, film: Filming, looks, seed: int, tell: Progress) -> None:
    scenario = staging.scenario
    sound = None
    # Played slowly, the sound would no longer be one: such recordings stay silent.
    if scenario.sound.recorded and scenario.camera.slow_motion == 1:
        tell("mixing the sound", 0.0)
        sound = render_sound(
            staging.impacts,
            length_s=staging.length_s,
            microphone_m=film.microphone_m,
            settings=scenario.sound,
            rng=np.random.default_rng([seed, 6]),
        )
    render_film(
        path,
        settings=scenario.camera,
        venue=scenario.venue,
        cast=[dress(p.body, look) for p, look in zip(staging.players, looks, strict=True)],
        paddles=[p.settings.paddle for p in staging.players],
        world=SampledWorld(staging),
        times_s=film.time_s,
        seed=seed,
        sound=sound,
        sound_rate_hz=SOUND_RATE_HZ,
        feeder_m=(float(FEEDER_M[0]), float(FEEDER_M[1])),
        progress=lambda done, of: tell("rendering", done / of),
    )


def _looks(staging: Staging, seed: int) -> list[Look]:
    """Looks of the players; shirts that the scenario leaves open differ in colour."""
    rng = np.random.default_rng([seed, 7])
    worn = {p.settings.clothes.shirt for p in staging.players}
    looks = []
    for player in staging.players:
        clothes = player.settings.clothes
        if clothes.shirt is None:
            free = [c for c in get_args(ColourWord) if c not in worn]
            shirt = str(rng.choice(free))
            worn.add(shirt)
            clothes = clothes.model_copy(update={"shirt": shirt})
        looks.append(make_look(player.body, clothes))
    return looks


def _write_session(path: Path, staging: Staging, looks: list[Look]) -> None:
    scenario = staging.scenario
    players = [
        {
            "name": player.settings.name,
            "handedness": player.settings.hand,
            **({"cohort": player.settings.cohort} if player.settings.cohort else {}),
            "consent": True,
            "clothes": look.colour_words,
        }
        for player, look in zip(staging.players, looks, strict=True)
    ]
    notes = {
        **({"date": scenario.date} if scenario.date else {}),
        "venue": "rehearsal",
        "players": players,
        **(
            {"capture_fps": float(scenario.camera.frame_rate)}
            if scenario.camera.slow_motion > 1
            else {}
        ),
    }
    path.write_text(yaml.safe_dump(notes, sort_keys=False, allow_unicode=True), encoding="utf-8")
