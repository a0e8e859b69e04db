"""Sets the fusion's few numbers by strokes that were not trained on, and tells what came out."""

import itertools
from pathlib import Path

import numpy as np

from paddlebrief.turn.fusion import Calibration, Turns, fuse, wrapped
from paddlebrief.turn.net import DIRECTIONS, TurnOutput

__all__ = [
    "calibrate", "calibrate_directions", "direction_errors", "load_strokes", "stroke_errors",
    "swing_frames", "table",
]  # fmt: skip

_COVERAGE = 0.95
_ROUND = 1.96
_ROUND_TWO = 2.45  # two components across a direction: 95 % lie within so many deviations
_START = Calibration(
    heading_scale=1.0,
    separation_scale=1.0,
    heading_floor_deg=2.0,
    separation_floor_deg=2.0,
    correlation_s=0.1,
    hip_jerk_dps2=6000.0,
    separation_jerk_dps2=6000.0,
    direction_scale=1.0,
    direction_haste_s=0.0,
)
_JERKS, _CORRELATIONS_S = (2500.0, 5000.0, 9000.0), (0.03, 0.06, 0.12, 0.24)
_HASTES_S = (0.0, 0.03, 0.06, 0.09, 0.12, 0.15, 0.18)
_SWING_S = (-0.42, 0.2)  # from contact
_LOAD_S = (-0.75, -0.15)  # where load may lie, from contact


def load_strokes(path: Path) -> list[dict]:
    """Strokes as ``checking.write_strokes`` left them, each with its ``TurnOutput``."""
    with np.load(path) as stored:
        columns = {name: stored[name] for name in stored.files}
    strokes = []
    for number in np.unique(columns["stroke"]):
        rows = columns["stroke"] == number
        stroke = {name: values[rows] for name, values in columns.items()}
        ways = stroke.pop("directions").astype(float).reshape(-1, DIRECTIONS, 4)
        unit = ways[..., :3] / np.linalg.norm(ways[..., :3], axis=-1, keepdims=True)
        stroke["output"] = TurnOutput(
            **{n: stroke.pop(n).astype(float) for n in ("hip", "shoulder", "separation")},
            direction=unit,
            concentration=np.exp(np.clip(ways[..., 3], -3, 8)),
        )
        for name in ("height_px", "place", "hand"):
            stroke[name] = stroke[name][0]
        strokes.append(stroke)
    return strokes


def calibrate(strokes: list[dict]) -> Calibration:
    """Smoothness by the errors, then scales so that 95 % intervals cover 95 % of the truth."""
    best, least = _START, np.inf
    for jerk, correlation in itertools.product(_JERKS, _CORRELATIONS_S):
        tried = _START.model_copy(
            update={
                "hip_jerk_dps2": jerk,
                "separation_jerk_dps2": jerk,
                "correlation_s": correlation,
            }
        )
        errors = np.concatenate([stroke_errors(s, tried)["separation"][0] for s in strokes])
        size = float(np.mean(np.minimum(np.abs(errors), np.radians(20))))
        if size < least:
            best, least = tried, size
    for _ in range(3):
        found = [stroke_errors(s, best) for s in strokes]
        heads = [np.concatenate([f[n][0] / f[n][1] for f in found]) for n in ("hip", "shoulder")]
        apart = np.concatenate([f["separation"][0] / f["separation"][1] for f in found])
        best = best.model_copy(
            update={
                "heading_scale": best.heading_scale * _stretch(np.concatenate(heads)),
                "separation_scale": best.separation_scale * _stretch(apart),
            }
        )
    return calibrate_directions(strokes, best)


def calibrate_directions(strokes: list[dict], calibration: Calibration) -> Calibration:
    """A calibration with only its two numbers for limb and spine directions set anew.

    Of each stroke the frames of the swing count, where directions are asked for.
    """
    return min(
        (_with_directions(strokes, calibration, haste_s) for haste_s in _HASTES_S),
        key=lambda tried: _direction_loss(strokes, tried),
    )


def _with_directions(
    strokes: list[dict], calibration: Calibration, haste_s: float
) -> Calibration:
    """The scale of directions that covers 95 % of the truth at a growth with speed."""
    tried = calibration.model_copy(update={"direction_haste_s": haste_s})
    pairs = [direction_errors(s, tried) for s in strokes]
    ratios = np.concatenate([(error / sd).ravel() for error, sd in pairs])
    scale = tried.direction_scale * float(np.quantile(ratios, _COVERAGE)) / _ROUND_TWO
    return tried.model_copy(update={"direction_scale": scale})


def _direction_loss(strokes: list[dict], calibration: Calibration) -> float:
    """How badly stated 95 % radii tell sure directions from doubtful ones: the quantile loss."""
    pairs = [direction_errors(s, calibration) for s in strokes]
    beyond = np.concatenate([(error - _ROUND_TWO * sd).ravel() for error, sd in pairs])
    return float(np.mean(np.maximum(_COVERAGE * beyond, (_COVERAGE - 1) * beyond)))


def stroke_errors(
    stroke: dict, calibration: Calibration
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Errors and standard uncertainties (n,) of each line in radians, over all frames."""
    turns = fused(stroke, calibration)
    truth = stroke["label"][:, :2].astype(float)
    return {
        "hip": (wrapped(turns.hip_rad - truth[:, 0]), turns.hip_sd_rad),
        "shoulder": (wrapped(turns.shoulder_rad - truth[:, 1]), turns.shoulder_sd_rad),
        "separation": (
            turns.separation_rad - wrapped(truth[:, 1] - truth[:, 0]),
            turns.separation_sd_rad,
        ),
    }


def fused(stroke: dict, calibration: Calibration) -> Turns:
    """The stroke's turns, from the line of sight."""
    return fuse(stroke["output"], stroke["time_s"].astype(float), calibration=calibration)


def table(strokes: list[dict], calibration: Calibration) -> dict[str, dict]:
    """Errors at load, by height of the player, beside the pose network's own points in space.

    Load is where the shoulders' true turn is greatest before the forward swing.
    """
    rows: dict[str, dict] = {}
    for name, low, high in (
        ("300 px and more", 270, 1e9),
        ("200 px", 180, 270),
        ("150 px", 0, 180),
    ):
        kept = [s for s in strokes if low <= s["height_px"] < high]
        if kept:
            rows[name] = {"strokes": len(kept), **_at_load(kept, calibration)}
    return rows


def _at_load(strokes: list[dict], calibration: Calibration) -> dict:
    columns: dict[str, list] = {n: [] for n in ("hip", "shoulder", "separation", "own separation")}
    inside: list[bool] = []
    for stroke in strokes:
        errors = stroke_errors(stroke, calibration)
        truth = stroke["label"][:, :2].astype(float)
        court = np.unwrap(truth[:, 1] + stroke["sight_rad"])
        window = np.flatnonzero((stroke["time_s"] >= _LOAD_S[0]) & (stroke["time_s"] <= _LOAD_S[1]))
        k = window[np.argmax(np.abs(court[window] - court[0]))]
        for name in ("hip", "shoulder", "separation"):
            columns[name].append(errors[name][0][k])
        inside.append(abs(errors["separation"][0][k]) <= _ROUND * errors["separation"][1][k])
        own = wrapped(stroke["own_rad"][k, 1] - stroke["own_rad"][k, 0])
        columns["own separation"].append(own - wrapped(truth[k, 1] - truth[k, 0]))
    found = {
        f"{name}_deg": {
            "median": round(float(np.degrees(np.median(np.abs(values)))), 2),
            "p90": round(float(np.degrees(np.percentile(np.abs(values), 90))), 2),
            "bias": round(float(np.degrees(np.mean(values))), 2),
        }
        for name, values in columns.items()
    }
    return found | {"separation_coverage95": round(float(np.mean(inside)), 3)}


def direction_errors(stroke: dict, calibration: Calibration) -> tuple[np.ndarray, np.ndarray]:
    """Angles between found and true directions of a swing's n frames and their standard
    uncertainties, both (n, 5), radians."""
    turns = fused(stroke, calibration)
    truth = stroke["label"][:, 2:].reshape(-1, DIRECTIONS, 3)
    angle = np.arccos(np.clip(np.sum(turns.direction * truth, axis=-1), -1, 1))
    swing = swing_frames(stroke)
    return angle[swing], turns.direction_sd_rad[swing]


def swing_frames(stroke: dict) -> np.ndarray:
    """(n,) whether each frame of a stroke is one of its swing."""
    return (stroke["time_s"] >= _SWING_S[0]) & (stroke["time_s"] <= _SWING_S[1])


def _stretch(ratios: np.ndarray) -> float:
    return float(np.quantile(np.abs(ratios), _COVERAGE)) / _ROUND
