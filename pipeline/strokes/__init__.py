"""Strokes: contact, phases, side and kind from tracks, impact sounds and the paddle in the hand."""

from paddlebrief.strokes.find import StrokeSettings, find_strokes
from paddlebrief.strokes.holding import PaddleHand

__all__ = ["PaddleHand", "StrokeSettings", "find_strokes"]
