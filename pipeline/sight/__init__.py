"""Sight: who is in the picture, where their joints are, frame by frame."""

from paddlebrief.sight.parts import Person, SightSummary, TrackParts
from paddlebrief.sight.stage import watch
from paddlebrief.sight.tracker import SightSettings

__all__ = ["Person", "SightSettings", "SightSummary", "TrackParts", "watch"]
