"""A closer look at every stroke: turns of the body, the paddle, and the balls around it."""

from paddlebrief.closer.folder import CloserFolder
from paddlebrief.closer.settings import CloserSettings
from paddlebrief.closer.stage import Nets, look_closer

__all__ = ["CloserFolder", "CloserSettings", "Nets", "look_closer"]
