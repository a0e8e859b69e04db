"""Reading ahead: the next frames are decoded while earlier ones are worked on."""

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor

from paddlebrief.footage.frames import Frame

__all__ = ["read_ahead"]

_AHEAD = 2


def read_ahead(frames: Iterable[Frame]) -> Iterator[Frame]:
    """The same frames in the same order, read by a thread of their own; holds three pictures.

    Raises
    ------
    FootageError
        As the frames themselves do, when their turn comes.
    """
    source = iter(frames)
    with ThreadPoolExecutor(1, "read-ahead") as reader:
        waiting = deque(reader.submit(next, source, None) for _ in range(_AHEAD))
        try:
            while (frame := waiting.popleft().result()) is not None:
                waiting.append(reader.submit(next, source, None))
                yield frame
        finally:
            for later in waiting:
                later.cancel()
