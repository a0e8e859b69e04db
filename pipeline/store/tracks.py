"""Tracks in Parquet, written and read piece by piece so that hours of footage stay small."""

from collections.abc import Collection, Iterable, Iterator
from contextlib import ExitStack
from itertools import groupby
from pathlib import Path
from types import TracebackType

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from paddlebrief.errors import StoreError
from paddlebrief.records import LANDMARKS, Track
from paddlebrief.store.files import clear_write_errors, written_whole

__all__ = ["TrackWriter", "iter_tracks", "read_tracks", "write_tracks"]

_LANDMARKS = len(LANDMARKS)
_ROWS_PER_GROUP = 4096

_SCHEMA = pa.schema(
    [
        pa.field("person", pa.int32(), nullable=False),
        pa.field("frame", pa.int64(), nullable=False),
        pa.field("time_s", pa.float64(), nullable=False),
        pa.field("landmarks_px", pa.list_(pa.float32(), 2 * _LANDMARKS), nullable=False),
        pa.field("visibility", pa.list_(pa.float32(), _LANDMARKS), nullable=False),
        pa.field("noise_px", pa.list_(pa.float64(), _LANDMARKS), nullable=False),
    ],
    metadata={"landmarks": " ".join(LANDMARKS), "layout": "x y of each landmark in turn"},
)


class TrackWriter:
    """Appends pieces of tracks to one file; the file appears when the block ends well.

    Use as ``with TrackWriter(path) as writer: writer.write(piece)``. Coordinates and
    visibilities are kept in single precision (below 0.001 px), times exactly.

    Parameters
    ----------
    path
        The Parquet file to make or replace; its folder is made when missing.

    Raises
    ------
    StoreError
        The file cannot be written.
    """

    def __init__(self, path: str | Path) -> None:
        self._path = Path(path)
        self._ends_s: dict[int, float] = {}

    def __enter__(self) -> "TrackWriter":
        with ExitStack() as stack:
            beside = stack.enter_context(written_whole(self._path))
            with clear_write_errors(self._path):
                # Splitting floats into byte planes nearly halves smoothed paths once compressed.
                self._parquet = pq.ParquetWriter(
                    beside,
                    _SCHEMA,
                    compression="zstd",
                    use_dictionary=["person", "noise_px.list.element"],
                    use_byte_stream_split=[
                        "landmarks_px.list.element",
                        "visibility.list.element",
                    ],
                )
            stack.callback(self._close)
            self._stack = stack.pop_all()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._stack.__exit__(kind, error, trace)

    def write(self, piece: Track) -> None:
        """Append one piece of one person's track; a piece without frames adds nothing.

        Raises
        ------
        ValueError
            The piece does not begin after the person's previous one.
        """
        if not len(piece.time_s):
            return
        end_s = self._ends_s.get(piece.person, -np.inf)
        if not piece.time_s[0] > end_s:
            raise ValueError(
                f"person {piece.person}: expected a piece after {end_s} s, "
                f"got one from {piece.time_s[0]} s"
            )
        self._ends_s[piece.person] = float(piece.time_s[-1])
        with clear_write_errors(self._path):
            self._parquet.write_table(_table(piece), row_group_size=_ROWS_PER_GROUP)

    def _close(self) -> None:
        with clear_write_errors(self._path):
            self._parquet.close()


def write_tracks(path: str | Path, tracks: Iterable[Track]) -> None:
    """Write tracks, or pieces of them in order of time, to one file; see `TrackWriter`."""
    with TrackWriter(path) as writer:
        for track in tracks:
            writer.write(track)


def iter_tracks(
    path: str | Path,
    *,
    start_s: float = -np.inf,
    end_s: float = np.inf,
    persons: Collection[int] | None = None,
) -> Iterator[Track]:
    """Stream pieces of tracks in the order they were written, one in memory at a time.

    Parameters
    ----------
    path
        A file made by `TrackWriter`.
    start_s, end_s
        Only frames with ``start_s <= time_s <= end_s``, presentation time.
    persons
        Only these persons; None takes all.

    Yields
    ------
    Track
        At most 4096 frames of one person. None at all when nothing fits.

    Raises
    ------
    StoreError
        The file is missing or holds no tracks.
    """
    with _open(Path(path)) as file:
        for group in range(file.num_row_groups):
            first_s, last_s, person = _extent(file, group)
            wanted = persons is None or person in persons
            if not wanted or last_s < start_s or first_s > end_s:
                continue
            track = _track(person, file.read_row_group(group), start_s, end_s)
            if len(track.time_s):
                yield track


def read_tracks(
    path: str | Path,
    *,
    start_s: float = -np.inf,
    end_s: float = np.inf,
    persons: Collection[int] | None = None,
) -> list[Track]:
    """Whole tracks, one a person, by person; the parameters are those of `iter_tracks`.

    Where the pieces of one person state different noise, the largest is taken.
    """
    pieces = sorted(
        iter_tracks(path, start_s=start_s, end_s=end_s, persons=persons), key=lambda t: t.person
    )
    return [_joined(list(group)) for _, group in groupby(pieces, key=lambda t: t.person)]


def _open(path: Path) -> pq.ParquetFile:
    try:
        file = pq.ParquetFile(path)
    except (OSError, pa.ArrowInvalid) as error:
        raise StoreError(
            "no tracks can be read here",
            file=path,
            expected="a Parquet file of tracks",
            found=str(error).splitlines()[0],
            todo="delete it and run again",
        ) from error
    if not file.schema_arrow.equals(_SCHEMA):
        found = ", ".join(file.schema_arrow.names)
        file.close()
        raise StoreError(
            "no tracks can be read here",
            file=path,
            expected="the columns " + ", ".join(_SCHEMA.names),
            found=f"the columns {found}",
            todo="delete it and run again",
        )
    return file


def _extent(file: pq.ParquetFile, group: int) -> tuple[float, float, int]:
    """First and last time of a row group, and its only person."""
    columns = file.metadata.row_group(group)
    time_s = columns.column(_SCHEMA.get_field_index("time_s")).statistics
    person = columns.column(_SCHEMA.get_field_index("person")).statistics
    return time_s.min, time_s.max, person.min


def _table(track: Track) -> pa.Table:
    n = len(track.time_s)
    columns = {
        "person": np.full(n, track.person),
        "frame": track.frame,
        "time_s": track.time_s,
        "landmarks_px": _lists(track.landmarks_px, np.float32),
        "visibility": _lists(track.visibility, np.float32),
        "noise_px": _lists(np.broadcast_to(track.noise_px, (n, _LANDMARKS)), np.float64),
    }
    return pa.table(columns, schema=_SCHEMA)


def _lists(array: np.ndarray, dtype: type[np.floating]) -> pa.FixedSizeListArray:
    flat = np.asarray(array, dtype=dtype).reshape(len(array), -1)
    return pa.FixedSizeListArray.from_arrays(pa.array(flat.ravel()), flat.shape[1])


def _track(person: int, table: pa.Table, start_s: float, end_s: float) -> Track:
    time_s = table["time_s"].to_numpy()
    inside = (time_s >= start_s) & (time_s <= end_s)
    return Track(
        person=person,
        frame=table["frame"].to_numpy()[inside],
        time_s=time_s[inside],
        landmarks_px=_array(table["landmarks_px"], (-1, _LANDMARKS, 2))[inside],
        visibility=_array(table["visibility"], (-1, _LANDMARKS))[inside],
        noise_px=_array(table["noise_px"], (-1, _LANDMARKS))[0],
    )


def _array(column: pa.ChunkedArray, shape: tuple[int, ...]) -> np.ndarray:
    flat = column.combine_chunks().flatten().to_numpy(zero_copy_only=False)
    return flat.astype(np.float64).reshape(shape)


def _joined(pieces: list[Track]) -> Track:
    return Track(
        person=pieces[0].person,
        frame=np.concatenate([p.frame for p in pieces]),
        time_s=np.concatenate([p.time_s for p in pieces]),
        landmarks_px=np.concatenate([p.landmarks_px for p in pieces]),
        visibility=np.concatenate([p.visibility for p in pieces]),
        noise_px=np.max([p.noise_px for p in pieces], axis=0),
    )
