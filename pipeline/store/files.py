"""Files that appear whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paddlebrief.errors import StoreError

__all__ = ["clear_write_errors", "written_whole"]


@contextmanager
def clear_write_errors(path: Path) -> Iterator[None]:
    """Turn the operating system's refusal to write ``path`` into a `StoreError`."""
    try:
        yield
    except OSError as error:
        raise StoreError(
            "the file cannot be written",
            file=path,
            found=str(error),
            todo="free space, or name a folder that can be written to",
        ) from error


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """A place beside ``path`` to write to; it takes that name when the block ends well.

    When an error passes through, nothing is left and an older file stays as it was.

    Raises
    ------
    StoreError
        The folder cannot be made or written to.
    """
    beside = path.with_name(f".{path.name}.part")
    with clear_write_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
    try:
        yield beside
        with clear_write_errors(path):
            beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)
