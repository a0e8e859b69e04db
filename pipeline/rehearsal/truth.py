"""Everything that is true about a rehearsal, as Parquet tables with a documented schema.

All of it comes from the body, paddle and ball that were rendered. Places are in the court frame,
metres; pictures are in pixels of the upright picture, x to the right and y down; times ending in
``_s`` are presentation times of the recording unless the column says otherwise. Missing numbers
are NaN. Units and meanings of all columns also stand in the files' field metadata.
"""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from paddlebrief.records import LANDMARKS
from paddlebrief.rehearsal.filming import Filming
from paddlebrief.rehearsal.sound import heard_s
from paddlebrief.rehearsal.staging import StagedPlayer, StagedStroke, Staging
from paddlebrief.rehearsal.traces import Trace, ball_outcome
from paddlebrief.rehearsal.true_measures import MEASURES, OTHER_MEASURES, chain

__all__ = ["SCHEMAS", "stroke_trace", "true_strokes", "write_truth"]

_STEP_S = 1e-3
_BEFORE_S, _AFTER_S = 1.6, 1.3
_CHUNK = 2000
_FINGERS = ("thumb", "index", "middle", "ring", "pinky")
_SEGMENTS = ("hips", "shoulders", "upper_arm", "forearm", "paddle")


@dataclass(frozen=True)
class _Column:
    type: pa.DataType
    unit: str
    text: str


def _text(text: str) -> _Column:
    return _Column(pa.string(), "", text)


def _number(unit: str, text: str) -> _Column:
    return _Column(pa.float64(), unit, text)


def _count(text: str) -> _Column:
    return _Column(pa.int32(), "", text)


def _list(unit: str, text: str) -> _Column:
    return _Column(pa.list_(pa.float32()), unit, text)


_FRAME = {
    "recording": _text("file name of the recording"),
    "frame": _count("index of the frame, from 0"),
    "time_s": _number("s", "presentation time of the frame"),
}
_PLAYER = {"player": _text("name as in session.yaml")}

SCHEMAS: dict[str, dict[str, _Column]] = {
    "strokes": {
        "recording": _text("file name of the recording"),
        "number": _count("place in the recording, from 1, in order of contact"),
        **_PLAYER,
        "hand": _text("right or left"),
        "side": _text("forehand or backhand"),
        "kind": _text("drive, slice or other"),
        "action": _text("drive, slice, volley, dink, serve or overhead"),
        "two_handed": _Column(pa.bool_(), "", "whether the other hand is on the handle"),
        "load_s": _number("s", "greatest shoulder turn of the backswing"),
        "forward_s": _number("s", "start of the forward swing"),
        "contact_s": _number("s", "contact"),
        "finish_s": _number("s", "where the hand has come to rest"),
        **{name: _number(unit, "graded measure") for name, (_, unit) in MEASURES.items()},
        **{name: _number(unit, "measure") for name, (_, unit) in OTHER_MEASURES.items()},
        **{
            f"{s}_peak_s": _number("s", "peak turning speed, from contact (negative before)")
            for s in _SEGMENTS
        },
        **{f"{s}_peak_dps": _number("°/s", "peak turning speed") for s in _SEGMENTS},
        "bounce_s": _number("s", "first bounce, NaN when the net stopped the ball"),
        "bounce_x_m": _number("m", "first bounce, court frame"),
        "bounce_y_m": _number("m", "first bounce, court frame"),
    },
    "frames": {
        **_FRAME,
        "court_s": _number("s", "court time of the middle of the exposure"),
        "exposure_s": _number("s", "time the shutter was open, on court"),
        "place_m": _list("m", "camera, court frame (3)"),
        "rotation": _list("", "court to camera, row by row (9); camera x right, y down, z ahead"),
        "matrix": _list("px", "intrinsics, row by row (9)"),
        "distortion": _list("", "k1, k2, p1, p2, k3 of the lens, as OpenCV orders them"),
    },
    "joints": {
        **_FRAME,
        **_PLAYER,
        "joints_m": _list("m", "joints in the order of the file's metadata, x y z each"),
        "joints_px": _list("px", "the same, projected, u v each"),
        "landmarks_m": _list("m", "33 landmarks in the order of records.LANDMARKS, x y z each"),
        "landmarks_px": _list("px", "the same, projected, u v each"),
    },
    "paddles": {
        **_FRAME,
        **_PLAYER,
        "butt_m": _list("m", "middle of the butt end (3)"),
        "rotation": _list("", "columns across, along to the tip, normal of the front face (9)"),
        "face_m": _list("m", "middle of the face (3)"),
        "points_px": _list("px", "butt end, middle of the face, tip, u v each"),
    },
    "balls": {
        **_FRAME,
        "ball": _count("slot of the ball; a slot holds one ball at a time"),
        "place_m": _list("m", "middle of the ball (3)"),
        "place_px": _list("px", "the same, projected (2)"),
    },
    "impacts": {
        "recording": _text("file name of the recording"),
        "kind": _text("paddle, feed, bounce, net or other court"),
        "time_s": _number("s", "when it happens"),
        "heard_s": _number("s", "when the microphone hears it"),
        "place_m": _list("m", "where (3)"),
        "stroke": _count("number of the stroke for kind paddle, else 0"),
    },
    "players": {
        **_PLAYER,
        "hand": _text("right or left"),
        "sex": _text("female or male"),
        "age_years": _number("years", "age"),
        "height_m": _number("m", "standing height"),
        "build": _number("", "0 slim to 1 heavy"),
    },
}
"""Tables of a truth folder, one Parquet file each, with the columns of each."""


def stroke_trace(player: StagedPlayer, stroke: StagedStroke) -> Trace:
    """One stroke of a player in the camera's half, sampled every millisecond."""
    event = stroke.event
    before, after = round(_BEFORE_S / _STEP_S), round(_AFTER_S / _STEP_S)
    time_s = event.contact_s + np.arange(-before, after + 1) * _STEP_S
    show = player.motion.perform(time_s)
    positions, _ = player.body.joints(show.root_position_m, show.local_rotations)
    joints = {
        f"{side}_{joint}": positions[:, player.body.joint(f"{side}_{joint}")]
        for side in ("left", "right")
        for joint in ("hip", "shoulder", "elbow", "wrist")
    }
    centre = player.settings.paddle.face_centre_m
    return Trace(
        time_s=time_s,
        contact=before,
        joints_m=joints,
        face_m=show.butt_m + show.paddle_rotation @ centre,
        paddle=show.paddle_rotation,
        ball_m=stroke.ball_m,
        right_handed=player.settings.hand == "right",
        forehand=event.side == "forehand",
        outcome=ball_outcome(stroke.outgoing, facing=1),
    )


def true_strokes(staging: Staging, present=float) -> list[dict]:
    """Rows of the table of strokes; ``present`` maps court time to presentation time."""
    rows = []
    for number, stroke in enumerate(staging.strokes, start=1):
        player, event = staging.players[stroke.player], stroke.event
        trace = stroke_trace(player, stroke)
        times = {"load_s": trace.load, "forward_s": trace.forward, "contact_s": trace.contact,
                 "finish_s": trace.finish}  # fmt: skip
        rows.append(
            {
                "recording": staging.scenario.recording,
                "number": number,
                "player": player.settings.name,
                "hand": player.settings.hand,
                "side": "forehand" if event.side == "forehand" else "backhand",
                "kind": event.action if event.action in ("drive", "slice") else "other",
                "action": event.action,
                "two_handed": event.side == "two-handed backhand",
                **{name: present(float(trace.time_s[k])) for name, k in times.items()},
                **{n: f(trace) for n, (f, _) in (MEASURES | OTHER_MEASURES).items()},
                **chain(trace),
                "bounce_s": present(trace.outcome.bounce_s),
                "bounce_x_m": trace.outcome.bounce_x_m,
                "bounce_y_m": trace.outcome.bounce_y_m,
            }
        )
    return rows


def write_truth(folder: Path, staging: Staging, film: Filming) -> None:
    """Write all tables into a folder that exists."""
    recording = staging.scenario.recording
    _write(folder, "strokes", [true_strokes(staging, film.present)])
    _write(folder, "frames", [_frame_rows(recording, film)])
    names = [
        n
        for n in staging.players[0].body.joint_names
        if n.split("_")[1:2] not in ([f] for f in _FINGERS)
    ]
    notes = {"joints": {"joints": ",".join(names), "landmarks": ",".join(LANDMARKS)}}
    with ExitStack() as stack:
        writers = {
            table: stack.enter_context(_Writer(folder, table, notes.get(table, {})))
            for table in ("joints", "paddles", "balls")
        }
        for start in range(0, len(film.time_s), _CHUNK):
            part = slice(start, min(start + _CHUNK, len(film.time_s)))
            for table, rows in _moving(staging, film, part, names).items():
                writers[table].write(rows)
    _write(folder, "impacts", [_impact_rows(staging, film)])
    _write(folder, "players", [_player_rows(staging)])


class _Writer:
    """A Parquet file of one table, written in pieces."""

    def __init__(self, folder: Path, table: str, note: Mapping[str, str]) -> None:
        fields = [
            pa.field(column, c.type, metadata={"unit": c.unit, "description": c.text})
            for column, c in SCHEMAS[table].items()
        ]
        self._schema = pa.schema(fields, metadata=dict(note) or None)
        path = folder / f"{table}.parquet"
        self._file = pq.ParquetWriter(path, self._schema, compression="zstd")

    def write(self, rows: Sequence[dict]) -> None:
        """Append rows."""
        self._file.write_table(pa.Table.from_pylist(list(rows), schema=self._schema))

    def __enter__(self) -> "_Writer":
        return self

    def __exit__(self, *failure: object) -> None:
        self._file.close()


def _write(folder: Path, table: str, chunks: Iterable[Sequence[dict]]) -> None:
    with _Writer(folder, table, {}) as writer:
        for rows in chunks:
            writer.write(rows)


def _frame_rows(recording: str, film: Filming) -> list[dict]:
    camera, turns = film.camera, film.rotations()
    same = {
        "exposure_s": film.settings.shutter_s,
        "place_m": camera.position_m.tolist(),
        "matrix": camera.matrix.ravel().tolist(),
        "distortion": camera.distortion.tolist(),
    }
    return [
        {
            "recording": recording,
            "frame": k,
            "time_s": film.present(float(t)),
            "court_s": float(t),
            "rotation": turns[k].ravel().tolist(),
            **same,
        }
        for k, t in enumerate(film.time_s)
    ]


def _moving(
    staging: Staging, film: Filming, part: slice, names: Sequence[str]
) -> dict[str, list[dict]]:
    """Rows of joints, paddles and balls for a stretch of frames."""
    time_s = film.time_s[part]
    heads = [
        {"recording": staging.scenario.recording, "frame": part.start + k, "time_s": t}
        for k, t in enumerate(film.present(time_s).tolist())
    ]
    joints, paddles = [], []
    for player in staging.players:
        own = [head | {"player": player.settings.name} for head in heads]
        seen = _PlayerPoints(player, names)
        points, pixels = seen.at(time_s), film.pixels(seen.at, part)
        joint, mark = len(names), len(names) + len(LANDMARKS)
        joints += _rows(
            own,
            {
                "joints_m": points[:, :joint],
                "joints_px": pixels[:, :joint],
                "landmarks_m": points[:, joint:mark],
                "landmarks_px": pixels[:, joint:mark],
            },
        )
        show = player.motion.perform(time_s)
        paddles += _rows(
            own,
            {
                "butt_m": show.butt_m,
                "rotation": show.paddle_rotation,
                "face_m": points[:, mark + 1],
                "points_px": pixels[:, mark:],
            },
        )
    places, pixels = staging.ball_places(time_s), film.pixels(staging.ball_places, part)
    balls = [
        heads[k]
        | {"ball": int(b), "place_m": places[k, b].tolist(), "place_px": pixels[k, b].tolist()}
        for k, b in zip(*np.nonzero(np.isfinite(places[:, :, 0])), strict=True)
    ]
    return {"joints": joints, "paddles": paddles, "balls": balls}


class _PlayerPoints:
    """Joints, landmarks and three points of the paddle of one player, in this order."""

    def __init__(self, player: StagedPlayer, names: Sequence[str]) -> None:
        self._player = player
        self._joints = [player.body.joint(n) for n in names]
        paddle = player.settings.paddle
        self._paddle = np.stack([np.zeros(3), paddle.face_centre_m, [0.0, paddle.length_m, 0.0]])

    def at(self, time_s: np.ndarray) -> np.ndarray:
        """(n, N, 3) places at (n,) times."""
        show = self._player.motion.perform(time_s)
        body = self._player.body
        positions, rotations = body.joints(show.root_position_m, show.local_rotations)
        turned = np.einsum("tij,nj->tni", show.paddle_rotation, self._paddle)
        parts = (
            positions[:, self._joints],
            body.landmarks(positions, rotations),
            show.butt_m[:, None] + turned,
        )
        return np.concatenate(parts, axis=1)


def _rows(heads: Sequence[dict], columns: Mapping[str, np.ndarray]) -> list[dict]:
    """Heads with (n, …) columns flattened into lists."""
    flat = {name: values.reshape(len(heads), -1).tolist() for name, values in columns.items()}
    return [head | {n: v[k] for n, v in flat.items()} for k, head in enumerate(heads)]


def _impact_rows(staging: Staging, film: Filming) -> list[dict]:
    numbers = {s.event.contact_s: k for k, s in enumerate(staging.strokes, start=1)}
    return [
        {
            "recording": staging.scenario.recording,
            "kind": impact.kind,
            "time_s": film.present(impact.time_s),
            "heard_s": film.present(heard_s(impact, film.microphone_m)),
            "place_m": np.asarray(impact.place_m).tolist(),
            "stroke": numbers.get(impact.time_s, 0) if impact.kind == "paddle" else 0,
        }
        for impact in staging.impacts
    ]


def _player_rows(staging: Staging) -> list[dict]:
    return [
        {"player": p.settings.name, "hand": p.settings.hand, **p.settings.body.model_dump()}
        for p in staging.players
    ]
