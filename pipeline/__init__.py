"""Batch stroke measurement from pickleball practice video; see DEVELOPERS.md for the data flow."""

from paddlebrief.version import __version__

__all__ = ["__version__"]
