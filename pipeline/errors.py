"""The few errors that paddlebrief raises, each telling file, expectation, finding and remedy."""

from pathlib import Path

__all__ = [
    "FootageError",
    "ModelStoreError",
    "PaddlebriefError",
    "RehearsalError",
    "SessionFileError",
    "SettingsError",
    "StoreError",
]


class PaddlebriefError(Exception):
    """Base of all expected failures; its text is one line a coach can act on.

    Parameters
    ----------
    what
        What went wrong, without the file name.
    file
        The file or folder concerned, or None when there is none.
    expected, found
        What should have been there and what was; left out of the text when None.
    todo
        What the reader can do next; left out of the text when None.
    """

    def __init__(
        self,
        what: str,
        *,
        file: str | Path | None = None,
        expected: str | None = None,
        found: str | None = None,
        todo: str | None = None,
    ) -> None:
        self.what = what
        self.file = None if file is None else Path(file)
        self.expected = expected
        self.found = found
        self.todo = todo
        super().__init__(self._text())

    def _text(self) -> str:
        head = self.what if self.file is None else f"{self.file}: {self.what}"
        parts = [head]
        if self.expected is not None:
            parts.append(f"expected {self.expected}")
        if self.found is not None:
            parts.append(f"found {self.found}")
        if self.todo is not None:
            parts.append(self.todo)
        return "; ".join(parts)

    def __reduce__(self):
        fields = {"file": self.file, "expected": self.expected, "found": self.found}
        return _rebuild, (type(self), self.what, {**fields, "todo": self.todo})


def _rebuild(kind: type[PaddlebriefError], what: str, fields: dict) -> PaddlebriefError:
    return kind(what, **fields)


class SettingsError(PaddlebriefError):
    """A settings file or value that cannot be used."""


class SessionFileError(PaddlebriefError):
    """A session.yaml that cannot be used."""


class FootageError(PaddlebriefError):
    """A recording that holds nothing to work on."""


class ModelStoreError(PaddlebriefError):
    """Model files that are missing, unreachable or altered."""


class StoreError(PaddlebriefError):
    """A records database that cannot be used."""


class RehearsalError(PaddlebriefError):
    """A rehearsal scenario that cannot be rendered, or a truth folder that cannot be read."""
