"""The trained networks that ship with the package, and the record of how they were made."""

import json
from functools import cache
from importlib import resources
from pathlib import Path

__all__ = ["record", "shipped"]


def shipped(name: str) -> Path:
    """Path of a shipped file."""
    return Path(str(resources.files(__name__).joinpath(name)))


@cache
def record() -> dict:
    """Seeds, versions, counts, held-out figures and noise tables of the shipped networks."""
    return json.loads(shipped("eyes.json").read_text(encoding="utf-8"))
