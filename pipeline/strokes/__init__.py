"""Strokes: from tracks to contacts, phases, side and kind."""

from paddlebrief.strokes.find import StrokeSettings, find_strokes

__all__ = ["StrokeSettings", "find_strokes"]
