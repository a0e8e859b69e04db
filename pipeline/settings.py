"""All settings: one model for each stage, composed here, read from YAML."""

import hashlib
import json
from difflib import get_close_matches
from importlib import resources
from pathlib import Path
from typing import Literal, TypeVar

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from paddlebrief.ball.settings import BallTrackSettings
from paddlebrief.closer.settings import CloserSettings
from paddlebrief.court.solve import CourtSettings
from paddlebrief.ears import EarSettings
from paddlebrief.errors import SettingsError
from paddlebrief.eyes.settings import EyeSettings
from paddlebrief.paddle.settings import PaddleSettings
from paddlebrief.ranking import RankingSettings
from paddlebrief.sight.tracker import SightSettings
from paddlebrief.spells import PlayerSettings
from paddlebrief.strokes.settings import StrokeSettings

__all__ = ["BriefSettings", "ModelSettings", "Settings", "digest", "load_settings", "read_yaml"]

Model = TypeVar("Model", bound=BaseModel)


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModelSettings(_Part):
    """Where model files come from."""

    folder: Path | None = Field(
        None, description="folder that holds the model files; left out: fetched once to the cache"
    )


class BriefSettings(_Part):
    """What pages look like."""

    units: Literal["metric", "US"] = Field("metric", description="metric or US units on pages")
    paper: Literal["A4", "Letter"] = Field("A4", description="paper size, A4 or Letter")
    templates: Path | None = Field(
        None, description="folder with report templates of your own; left out: the package's"
    )
    strokes_shown: int = Field(6, ge=1, description="most strokes with a section of their own")


class Settings(_Part):
    """Settings of every stage, under the stage's name."""

    models: ModelSettings = ModelSettings()
    sight: SightSettings = SightSettings()
    court: CourtSettings = CourtSettings()
    ears: EarSettings = EarSettings()
    strokes: StrokeSettings = StrokeSettings()
    closer: CloserSettings = CloserSettings()
    eyes: EyeSettings = EyeSettings()
    paddle: PaddleSettings = PaddleSettings()
    ball: BallTrackSettings = BallTrackSettings()
    players: PlayerSettings = PlayerSettings()
    ranking: RankingSettings = RankingSettings()
    brief: BriefSettings = BriefSettings()


def load_settings(path: Path | None = None) -> Settings:
    """The settings that ship with the package, overridden by those of a file.

    Raises
    ------
    SettingsError
        When the file cannot be read; an unknown key is answered with its nearest neighbour.
    """
    return read_yaml(Settings, path, default="defaults.yaml")


def read_yaml(model: type[Model], path: Path | None, *, default: str) -> Model:
    """A YAML file as a checked model; ``default`` names the file in config/ for no path."""
    if path is None:
        text = resources.files("paddlebrief.config").joinpath(default).read_text(encoding="utf-8")
        path = Path("config") / default
    else:
        try:
            text = Path(path).read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(
                "the file cannot be read",
                file=path,
                expected="a YAML text file",
                found=type(error).__name__,
                todo="check the path",
            ) from error
    try:
        return model.model_validate(yaml.safe_load(text) or {})
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = "" if mark is None else f" at line {mark.line + 1}, column {mark.column + 1}"
        raise SettingsError(
            f"not valid YAML{where}", file=path, todo="correct that line"
        ) from error
    except ValidationError as error:
        raise SettingsError(
            "; ".join(_fault(model, e) for e in error.errors()),
            file=path,
            todo="see config/ for every option and its unit",
        ) from error


def _fault(model: type[BaseModel], error: dict) -> str:
    where = ".".join(str(part) for part in error["loc"])
    if error["type"] != "extra_forbidden":
        return f"{where}: {error['msg']}, found {error['input']!r}"
    near = get_close_matches(str(error["loc"][-1]), _options(model, error["loc"][:-1]), n=1)
    return f"{where}: unknown option" + (f", did you mean {near[0]}?" if near else "")


def _options(model: type[BaseModel], place: tuple) -> list[str]:
    for part in place:
        field = model.model_fields.get(str(part))
        nested = field.annotation if field else None
        if not (isinstance(nested, type) and issubclass(nested, BaseModel)):
            return []
        model = nested
    return list(model.model_fields)


def digest(*parts: BaseModel | str) -> str:
    """SHA-256 of settings and texts, 64 hex digits; equal settings give equal digests."""
    plain = [p if isinstance(p, str) else p.model_dump(mode="json") for p in parts]
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()
