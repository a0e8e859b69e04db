"""Mechanics: a stroke's measures, each with its uncertainty or the reason why it is missing."""

from paddlebrief.mechanics.image_plane import IMAGE_MEASURES, StrokeView, measure_stroke
from paddlebrief.mechanics.stage import measure_strokes, stroke_view

__all__ = ["IMAGE_MEASURES", "StrokeView", "measure_stroke", "measure_strokes", "stroke_view"]
