"""How long work tells the person who waits for it."""

from contextlib import contextmanager
from contextvars import ContextVar
from typing import Protocol

__all__ = ["Reporter", "report_to", "reporter"]


class Reporter(Protocol):
    """Receives what is being done; see the command line for one that draws bars."""

    def begin(self, what: str) -> None:
        """A piece of work begins."""

    def share(self, done: float) -> None:
        """That share of the piece begun last is done, 0 to 1."""


class _Silent:
    def begin(self, what: str) -> None:
        """Say nothing."""

    def share(self, done: float) -> None:
        """Say nothing."""


_current: ContextVar[Reporter] = ContextVar("reporter", default=_Silent())  # noqa: B039 - has no state


def reporter() -> Reporter:
    """The reporter in use; one that says nothing unless ``report_to`` is active."""
    return _current.get()


@contextmanager
def report_to(chosen: Reporter):
    """Use a reporter within a ``with`` block."""
    token = _current.set(chosen)
    try:
        yield chosen
    finally:
        _current.reset(token)
