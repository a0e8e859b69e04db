"""Footage: recordings as exactly timed pictures and sound, streamed and never held whole."""

from paddlebrief.footage.ahead import read_ahead
from paddlebrief.footage.facts import frame_times
from paddlebrief.footage.frames import Frame, FrameReader, open_frames
from paddlebrief.footage.inspection import content_hash, inspect
from paddlebrief.footage.sound import Sound, read_sound, sound_blocks

__all__ = [
    "Frame",
    "FrameReader",
    "Sound",
    "content_hash",
    "frame_times",
    "inspect",
    "open_frames",
    "read_ahead",
    "read_sound",
    "sound_blocks",
]
