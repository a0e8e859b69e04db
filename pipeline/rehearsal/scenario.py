"""What a rehearsal shall contain: the scenario file, checked, with presets to start from."""

import datetime
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from paddlebrief.errors import RehearsalError, SettingsError
from paddlebrief.rehearsal.ball import BallSettings
from paddlebrief.rehearsal.camera import CameraSettings
from paddlebrief.rehearsal.dress import ClothesSettings
from paddlebrief.rehearsal.paddle import PaddleSpec
from paddlebrief.rehearsal.sound import SoundSettings
from paddlebrief.rehearsal.swings import SHAPES
from paddlebrief.rehearsal.technique import DIAL_RANGES, Spread
from paddlebrief.rehearsal.venue import VenueSettings
from paddlebrief.settings import read_yaml

__all__ = [
    "STROKE_NAMES",
    "BodySettings",
    "Change",
    "Distractors",
    "PlayerSettings",
    "Scenario",
    "load_scenario",
    "preset_names",
]

STROKE_NAMES = {f"{side} {action}": (action, side) for action, side in SHAPES}
"""Names of strokes in scenario files, as "forehand drive", to keys of ``SHAPES``."""


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _known_strokes(named: dict) -> dict:
    for name in named:
        if name not in STROKE_NAMES:
            raise ValueError(_unknown("stroke", name, STROKE_NAMES))
    return named


def _unknown(what: str, name: str, known) -> str:
    near = get_close_matches(name, list(known), n=1)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(sorted(known))}"
    return f"unknown {what} {name!r}, {hint}"


Technique = dict[str, dict[str, float | Spread]]


def _known_technique(technique: Technique) -> Technique:
    for stroke, dials in _known_strokes(technique).items():
        for dial, value in dials.items():
            if dial not in DIAL_RANGES:
                raise ValueError(_unknown("dial", dial, DIAL_RANGES))
            low, high, _ = DIAL_RANGES[dial]
            mean = value.mean if isinstance(value, Spread) else value
            if not low <= mean <= high:
                raise ValueError(
                    f"{stroke}: {dial} {mean:g} is beyond what the body or the court allows, "
                    f"{low:g} to {high:g}"
                )
    return technique


class BodySettings(_Part):
    """A player's body."""

    age_years: float = Field(35, ge=8, le=90, description="Age (years).")
    sex: Literal["female", "male"] = Field("female", description="female or male.")
    height_m: float = Field(1.72, ge=1.1, le=2.1, description="Standing height (m).")
    build: float = Field(0.4, ge=0, le=1, description="0 slim to 1 heavy (no unit).")


class Change(_Part):
    """A change of technique during the session."""

    at: float = Field(0.5, gt=0, lt=1, description="Share of the player's strokes before it.")
    technique: Technique = Field(
        description="Stroke name to dials and their new means, or mean and sd."
    )

    _technique = field_validator("technique")(_known_technique)


class PlayerSettings(_Part):
    """One player: body, hand, looks, strokes and technique."""

    name: str = Field(min_length=1, max_length=60, description="Name in session.yaml and truth.")
    hand: Literal["right", "left"] = Field("right", description="Hand that holds the paddle.")
    cohort: str | None = Field(None, description="Group in session.yaml.")
    body: BodySettings = Field(BodySettings(), description="The body.")
    appearance: int | None = Field(
        None, description="Seed of skin, hair and clothes (no unit); left out: from the seed."
    )
    clothes: ClothesSettings = Field(
        ClothesSettings(), description="Parts of the clothing that are fixed."
    )
    paddle: PaddleSpec = Field(PaddleSpec(), description="The paddle.")
    strokes: dict[str, Annotated[int, Field(ge=0, le=500)]] = Field(
        description="Stroke name, as 'forehand drive', to how many."
    )
    technique: Technique = Field(
        {}, description="Stroke name to dials and their mean, or mean and sd; the rest is drawn."
    )
    change: Change | None = Field(None, description="A change of technique on the way.")

    _strokes = field_validator("strokes")(_known_strokes)
    _technique = field_validator("technique")(_known_technique)

    @property
    def stroke_count(self) -> int:
        """Strokes in all."""
        return sum(self.strokes.values())


class Distractors(_Part):
    """What looks or sounds like a stroke and is none."""

    practice_swings: int = Field(0, ge=0, le=100, description="Swings without a ball (count).")
    pick_ups: int = Field(0, ge=0, le=100, description="Balls picked up (count).")
    crossings: int = Field(
        0, ge=0, le=20, description="Times that the first two players change places (count)."
    )


class Scenario(_Part):
    """A whole rehearsal."""

    seed: int = Field(0, ge=0, description="Seed of everything that is drawn (no unit).")
    length_s: float | None = Field(
        None, gt=0, le=7200, description="Length (s); left out: as long as the strokes need."
    )
    date: datetime.date | None = Field(None, description="Day in session.yaml, as 2026-03-02.")
    recording: str = Field(
        "rehearsal.mp4",
        pattern=r"^[\w\-. ]+\.(mp4|mov|mkv)$",
        description="File name of the recording.",
    )
    rest_s: float = Field(
        0.35, ge=0, le=20, description="Shortest pause of a player between two strokes (s)."
    )
    camera: CameraSettings = Field(CameraSettings(), description="Camera and its picture.")
    venue: VenueSettings = Field(VenueSettings(), description="Court, light and surroundings.")
    sound: SoundSettings = Field(SoundSettings(), description="What is heard.")
    ball: BallSettings = Field(BallSettings(), description="The ball.")
    players: tuple[PlayerSettings, ...] = Field(description="One to four players.")
    distractors: Distractors = Field(Distractors(), description="What is no stroke.")

    @model_validator(mode="after")
    def _playable(self) -> "Scenario":
        names = [p.name for p in self.players]
        if not 1 <= len(names) <= 4:
            raise ValueError(f"a rehearsal needs one to four players, found {len(names)}")
        if len(set(names)) != len(names):
            raise ValueError("every player needs a name of its own")
        for player in self.players:
            if player.stroke_count == 0:
                raise ValueError(f"{player.name} has no strokes")
        if self.distractors.crossings and len(names) < 2:
            raise ValueError("crossings need at least two players")
        return self


def preset_names() -> list[str]:
    """Names of the scenarios that ship with the package."""
    folder = resources.files("paddlebrief.config").joinpath("rehearsals")
    return sorted(f.name.removesuffix(".yaml") for f in folder.iterdir() if f.suffix == ".yaml")


def load_scenario(path_or_preset: str | Path) -> Scenario:
    """A scenario from a file, or the preset of that name.

    Raises
    ------
    RehearsalError
        One line: unknown keys with the nearest known one, values out of range, no players.
    """
    name = str(path_or_preset)
    presets = preset_names()
    path = Path(path_or_preset)
    if name in presets:
        folder = resources.files("paddlebrief.config").joinpath("rehearsals")
        path = Path(str(folder.joinpath(f"{name}.yaml")))
    elif not path.exists() and path.suffix not in (".yaml", ".yml"):
        raise RehearsalError(_unknown("preset", name, presets), todo="or give a scenario file")
    try:
        return read_yaml(Scenario, path, default="")
    except SettingsError as error:
        raise RehearsalError(
            error.what,
            file=error.file,
            expected=error.expected,
            found=error.found,
            todo="every key of a scenario stands in config/rehearsals/demo.yaml",
        ) from error
