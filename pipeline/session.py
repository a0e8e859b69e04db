"""What a club writes about a practice session (session.yaml), and which files are recordings."""

import datetime
import logging
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any

import yaml
from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    FiniteFloat,
    Tag,
    ValidationError,
    model_validator,
)

from paddlebrief.errors import FootageError, PaddlebriefError, SessionFileError
from paddlebrief.records import Handedness

__all__ = [
    "RECORDING_SUFFIXES",
    "SESSION_FILES",
    "Player",
    "RecordingSource",
    "Session",
    "default_session",
    "find_recordings",
    "load_session",
]

logger = logging.getLogger(__name__)

SESSION_FILES = ("session.yaml", "session.yml")
RECORDING_SUFFIXES = frozenset({".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".ts", ".mts"})
"""Endings by which a file in a folder counts as a recording, in lower case."""

_UNFINISHED = frozenset({".part", ".partial", ".tmp", ".crdownload", ".filepart"})
_LARGEST_FILE_BYTES = 1_000_000
_TODO = "correct the file and run again, or remove it to go on without names"


def _as_tuple(value: object) -> object:
    return (value,) if isinstance(value, str) else value


def _in_lower_case(value: object) -> object:
    return value.strip().lower() if isinstance(value, str) else value


Text = Annotated[str, Field(min_length=1, max_length=200)]
Texts = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]
Rate = Annotated[FiniteFloat, Field(gt=0, le=20_000)]
Rates = Annotated[
    Annotated[Rate, Tag("number")] | Annotated[dict[str, Rate], Tag("map")],
    Discriminator(lambda value: "map" if isinstance(value, dict) else "number"),
]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, str_strip_whitespace=True)


class Player(_Part):
    """One person on the roster; nothing more personal than this is kept."""

    name: Text = Field(description="name shown on pages, unique in the session")
    handedness: Annotated[Handedness, BeforeValidator(_in_lower_case)] = Field(
        Handedness.UNKNOWN, description="hand that holds the paddle: right, left or unknown"
    )
    cohort: Text | None = Field(None, description="group the player is compared within")
    consent: bool | None = Field(
        None,
        description="whether the player, or a minor's guardian, agreed to be filmed and measured; "
        "left out: unknown, and pages say so",
    )
    clothes: Texts = Field((), description="colour of the clothes worn, or a list of colours")
    minor: bool = Field(False, description="whether the player is a minor")
    height_m: float | None = Field(
        None,
        ge=0.9,
        le=2.3,
        description="standing height in metres, which gives lengths their scale where the court's "
        "lines cannot be seen; left out: assumed",
    )


class Session(_Part):
    """What is known of a practice session; every part may be missing."""

    date: datetime.date | None = Field(None, description="day of the practice, as 2024-05-31")
    venue: Text | None = Field(None, description="a note on the place")
    players: tuple[Player, ...] = Field((), description="the roster")
    capture_fps: Rates | None = Field(
        None,
        description="true frame rate of the camera, frames per second on court: one number, or "
        "a map from recording to number; needed for slow motion only",
    )
    court: dict[str, tuple[FiniteFloat, FiniteFloat]] = Field(
        {}, description="named court points and where they are in the upright picture, pixels"
    )
    recordings: dict[str, Texts] = Field(
        {}, description="recording and the names of the players in it; left out: all of them"
    )
    notes: Annotated[str, Field(max_length=20_000)] | None = Field(
        None, description="anything else, for people"
    )

    @model_validator(mode="after")
    def _names_fit(self) -> "Session":
        faults = _name_faults([p.name for p in self.players], self.recordings)
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def capture_fps_of(self, recording: str) -> float | None:
        """True frame rate that is stated for a recording, frames per second on court.

        Parameters
        ----------
        recording
            The file's name; it may stand in the map without its ending and in any case.

        Returns
        -------
        float or None
            None when nothing is stated.
        """
        if isinstance(self.capture_fps, dict):
            return _named(self.capture_fps, recording)
        return self.capture_fps

    def players_in(self, recording: str) -> tuple[Player, ...]:
        """Players present in a recording: those named for it, else the whole roster."""
        names = _named(self.recordings, recording)
        return tuple(p for p in self.players if names is None or p.name in names)


def _named(by_recording: Mapping[str, Any], recording: str) -> Any | None:
    name = Path(recording).name.casefold()
    wanted = (name, Path(name).stem)
    return next((v for key, v in by_recording.items() if key.casefold() in wanted), None)


def _name_faults(names: Sequence[str], recordings: Mapping[str, Sequence[str]]) -> list[str]:
    faults = []
    for name in sorted({n for n in names if names.count(n) > 1}):
        faults.append(f"players: {name!r} stands {names.count(name)} times; names must be unique")
    for recording, present in recordings.items():
        for name in present:
            if name not in names:
                hint = _did_you_mean(name, names)
                faults.append(f"recordings.{recording}: {name!r} is not among the players{hint}")
    return faults


def _did_you_mean(word: str, known: Iterable[str]) -> str:
    close = get_close_matches(word, list(known), n=1)
    return f" (did you mean {close[0]!r}?)" if close else ""


def default_session() -> Session:
    """A session of which nothing is known: players become A, B, … when they are found."""
    return Session()


def load_session(folder_or_file: Path) -> Session:
    """Read a session file.

    Parameters
    ----------
    folder_or_file
        A session.yaml, or the folder that holds it.

    Returns
    -------
    Session
        The `default_session` when a folder has no session file, or the file is blank.

    Raises
    ------
    SessionFileError
        With every fault of the file in one line.
    """
    path = Path(folder_or_file)
    if path.is_dir():
        found = _session_file(path)
        if found is None:
            return default_session()
        path = found
    content = _read_yaml(path)
    try:
        return Session.model_validate(content)
    except ValidationError as error:
        faults = _faults(error, content)
        count = "one fault" if len(faults) == 1 else f"{len(faults)} faults"
        raise SessionFileError(f"{count}: {'; '.join(faults)}", file=path, todo=_TODO) from error


def _session_file(folder: Path) -> Path | None:
    return next((folder / name for name in SESSION_FILES if (folder / name).is_file()), None)


class _Loader(yaml.SafeLoader):
    """Refuses a key that stands twice, where YAML would silently keep the last one."""

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict:
        seen = set()
        for key, _ in node.value:
            if not isinstance(key, yaml.ScalarNode):
                continue
            if key.value in seen:
                raise yaml.constructor.ConstructorError(
                    None, None, f"the key {key.value!r} stands twice", key.start_mark
                )
            seen.add(key.value)
        return super().construct_mapping(node, deep=deep)


def _read_yaml(path: Path) -> dict:
    try:
        if path.stat().st_size > _LARGEST_FILE_BYTES:
            raise SessionFileError(
                "this is no session file", file=path, expected="a short text", found="over 1 MB"
            )
        # Bytes, so that YAML itself tells UTF-16 with a mark from UTF-8.
        content = yaml.load(path.read_bytes(), _Loader)
    except OSError as error:
        raise SessionFileError(
            "it cannot be read", file=path, found=error.strerror, todo=_TODO
        ) from error
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        where = f"line {mark.line + 1}, column {mark.column + 1}: " if mark else ""
        raise SessionFileError(
            f"not valid YAML: {where}{error.problem or error.context}", file=path, todo=_TODO
        ) from error
    except (yaml.YAMLError, ValueError) as error:
        reason = " ".join(str(getattr(error, "reason", error)).split())
        raise SessionFileError(f"not valid YAML: {reason}", file=path, todo=_TODO) from error
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise SessionFileError(
            "no keys at the top",
            file=path,
            expected="lines such as 'date: 2024-05-31' and 'players:'",
            found=_shown(content),
            todo=_TODO,
        )
    return content


def _faults(error: ValidationError, content: dict) -> list[str]:
    """One sentence a fault, the file's words in it."""
    errors = error.errors(include_url=False)
    faults = [_fault(e) for e in errors]
    if not any(e["type"] == "value_error" for e in errors):
        faults += _name_faults(*_loose_names(content))
    return faults


def _loose_names(content: dict) -> tuple[list[str], dict[str, tuple[str, ...]]]:
    """Names and who is where, from a file that has faults elsewhere."""
    players, recordings = content.get("players"), content.get("recordings")
    names = [
        p["name"].strip()
        for p in (players if isinstance(players, list) else [])
        if isinstance(p, dict) and isinstance(p.get("name"), str)
    ]
    present = {
        str(key): tuple(n.strip() for n in _as_tuple(value) if isinstance(n, str))
        for key, value in (recordings if isinstance(recordings, dict) else {}).items()
        if isinstance(value, str | list)
    }
    return names, present


def _fault(error: Mapping[str, Any]) -> str:
    place = [part for part in error["loc"] if part not in ("number", "map", "[key]")]
    kind, value = error["type"], error["input"]
    if kind == "extra_forbidden":
        model = Player if place[0] == "players" else Session
        hint = _did_you_mean(str(place[-1]), model.model_fields)
        known = "" if hint else f"; known are {', '.join(model.model_fields)}"
        return f"{_place(place[:-1])}unknown key {place[-1]!r}{hint}{known}"
    if kind == "missing":
        return f"{_place(place[:-1])}the key {place[-1]!r} is missing"
    if kind == "value_error":
        return str(error["ctx"]["error"])
    if kind.startswith("date"):
        return f"{_place(place)}expected a date such as 2024-05-31, found {_shown(value)}"
    if kind == "string_type":
        return f"{_place(place)}expected text (in quotes if need be), found {_shown(value)}"
    wanted = error["msg"].removeprefix("Input should be ").partition(", unable")[0]
    hint = _did_you_mean(str(value), [str(h) for h in Handedness]) if kind == "enum" else ""
    return f"{_place(place)}expected {wanted}, found {_shown(value)}{hint}"


def _place(parts: Sequence[str | int]) -> str:
    """``players, entry 2, name: `` for the inner path of a fault; entries count from 1."""
    if not parts:
        return ""
    words = [f"entry {part + 1}" if isinstance(part, int) else str(part) for part in parts]
    return ", ".join(words) + ": "


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}…"


@dataclass(frozen=True, kw_only=True)
class RecordingSource:
    """A recording that was asked for, with what is known of its session.

    Attributes
    ----------
    path
        The recording; where nothing is there, the PATH that was given.
    session_folder
        The folder whose recordings belong together, or None for a recording on its own.
    session
        The folder's session, or the default one.
    error
        Why this one cannot be worked on (no such file, broken session.yaml, empty folder);
        None when it can be tried.
    """

    path: Path
    session_folder: Path | None
    session: Session
    error: PaddlebriefError | None = None


def find_recordings(paths: Iterable[Path], *, skip: Iterable[Path] = ()) -> list[RecordingSource]:
    """Turn the PATHs of a command into recordings; nothing here stops the others.

    A file is taken as it is. Of a folder, the files with a recording's ending are taken, hidden
    ones and those still being written left out; it is also searched one level down, each inner
    folder being a session of its own.

    Parameters
    ----------
    paths
        Recordings, session folders, or folders of session folders.
    skip
        Folders that are not searched, such as the one results are written to.

    Returns
    -------
    list of RecordingSource
        In the order of ``paths``, by name within a folder, each file once; a PATH that gives no
        recording gives one entry whose ``error`` says why.
    """
    left_out = {Path(folder).resolve() for folder in skip}
    sources: dict[Path, RecordingSource] = {}
    for path in map(Path, paths):
        for source in _sources(path, left_out):
            sources.setdefault(source.path.resolve(), source)
    return list(sources.values())


def _sources(path: Path, left_out: set[Path]) -> list[RecordingSource]:
    try:
        if path.is_file():
            has_session = _session_file(path.parent) is not None
            return _with_session([path], path.parent if has_session else None)
        if path.is_dir():
            found = _in_folder(path)
            for inner in sorted(p for p in path.iterdir() if p.is_dir()):
                if not inner.name.startswith(".") and inner.resolve() not in left_out:
                    found += _in_folder(inner)
            return found or [_without(path, "there is no recording in this folder", None)]
    except OSError as error:
        return [_without(path, "it cannot be read", error.strerror)]
    return [_without(path, "there is no such file or folder", None)]


def _without(path: Path, what: str, found: str | None) -> RecordingSource:
    endings = ", ".join(sorted(s[1:] for s in RECORDING_SUFFIXES))
    error = FootageError(
        what,
        file=path,
        expected=f"a recording ({endings}) or a folder with some",
        found=found,
        todo="check the name",
    )
    return RecordingSource(path=path, session_folder=None, session=default_session(), error=error)


def _in_folder(folder: Path) -> list[RecordingSource]:
    return _with_session(sorted(p for p in folder.iterdir() if _is_recording(p)), folder)


def _is_recording(path: Path) -> bool:
    suffixes = [suffix.lower() for suffix in path.suffixes]
    return (
        bool(suffixes)
        and suffixes[-1] in RECORDING_SUFFIXES
        and not path.name.startswith(".")
        and _UNFINISHED.isdisjoint(suffixes)
        and path.is_file()
    )


def _with_session(recordings: list[Path], folder: Path | None) -> list[RecordingSource]:
    session, error = default_session(), None
    if folder is not None and recordings:
        try:
            session = load_session(folder)
        except SessionFileError as fault:
            error = fault
        _warn_of_absent(session, folder)
    return [
        RecordingSource(path=path, session_folder=folder, session=session, error=error)
        for path in recordings
    ]


def _warn_of_absent(session: Session, folder: Path) -> None:
    """Log the recordings that the session file names but the folder lacks: likely misspelt."""
    there = [p.name for p in folder.iterdir() if _is_recording(p)]
    rates = session.capture_fps if isinstance(session.capture_fps, dict) else {}
    for name in {**session.recordings, **rates}:
        if not any(_named({name: True}, present) for present in there):
            hint = _did_you_mean(name, there)
            logger.warning("%s: %r is named there but not in the folder%s", folder, name, hint)
