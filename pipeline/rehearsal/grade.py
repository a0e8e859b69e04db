"""Grades a result against the truth of a rehearsal.

A true stroke and a found one match when their contacts are within 0.25 s; of all such pairs the
closest in time is taken first, and each stroke only once. Strokes of kind ``other`` count as
strokes. Rates over matched strokes are null when nothing matched.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from importlib import resources
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import yaml
from pydantic import TypeAdapter
from scipy.optimize import linear_sum_assignment
from scipy.stats import spearmanr

from paddlebrief.errors import RehearsalError
from paddlebrief.records import Kind
from paddlebrief.rehearsal.true_measures import MEASURES
from paddlebrief.scoring import Target

__all__ = ["MATCH_S", "TrueQuality", "default_quality", "grade"]

MATCH_S = 0.25
COVERAGE = 1.96
FEWEST_RANKED = 6
"""Fewest strokes of one player, kind and side from which best three and worst three differ."""
_SHOWN = 3

TrueQuality = Callable[[str, Mapping[str, float]], float]
"""Score of a true stroke from its kind and its true measures; NaN when it has none."""


def default_quality() -> TrueQuality:
    """The rule of the product's ranking applied to true values, with `config/quality.yaml`."""
    text = resources.files("paddlebrief.config").joinpath("quality.yaml").read_text("utf-8")
    book = TypeAdapter(dict[Kind, tuple[Target, ...]]).validate_python(yaml.safe_load(text))

    def quality(kind: str, measures: Mapping[str, float]) -> float:
        targets = book.get(Kind(kind), ())
        known = [(t, measures[t.measure]) for t in targets if np.isfinite(measures[t.measure])]
        weight = sum(t.weight for t, _ in known)
        if weight == 0:
            return np.nan
        return -sum(t.weight * t.shortfall(v) for t, v in known) / weight

    return quality


def grade(
    result_dir: str | Path, truth_dir: str | Path, *, quality: TrueQuality | None = None
) -> dict:
    """Compare the tables of a result with those of a truth.

    Parameters
    ----------
    result_dir
        Holds ``strokes.parquet``, ``measures.parquet``, ``ranking.parquet`` and ``run.json``;
        the last three may be missing and count as empty.
    truth_dir
        The ``truth`` folder of a rehearsal.
    quality
        What makes a true stroke good; `default_quality` when left out.

    Returns
    -------
    dict
        JSON-ready; a number that does not exist is None.

    Raises
    ------
    RehearsalError
        When the tables of strokes are missing or lack a column.
    """
    result_dir, truth_dir = Path(result_dir), Path(truth_dir)
    true = _rows(truth_dir / "strokes.parquet", ("recording", "player", "contact_s", *MEASURES))
    found = _rows(
        result_dir / "strokes.parquet",
        ("recording", "number", "player", "side", "kind", "contact_s"),
    )
    present = {_stem(t["recording"]) for t in true}
    found = [f for f in found if _stem(f["recording"]) in present]
    pairs = match(true, found)
    ranking = _optional(result_dir / "ranking.parquet")
    return {
        **_strokes(true, found, pairs),
        "measures": _measures(pairs, _optional(result_dir / "measures.parquet")),
        "ranking": _ranking(pairs, ranking, quality or default_quality()),
        "resources": _resources(result_dir / "run.json"),
    }


def _strokes(true: Sequence[dict], found: Sequence[dict], pairs) -> dict:
    """What was found, when, whose it was, and what it was taken for."""
    names = _names(true, found, pairs)
    sure = [(t, f) for t, f in pairs if f["kind"] != Kind.UNSURE.value]
    errors = [1e3 * abs(f["contact_s"] - t["contact_s"]) for t, f in pairs]
    own = sum(names.get(f["player"]) == t["player"] for t, f in pairs)
    return {
        "strokes": {
            "truth": len(true),
            "found": len(found),
            "matched": len(pairs),
            "precision": _share(len(pairs), len(found)),
            "recall": _share(len(pairs), len(true)),
        },
        "contact_time_ms": {"median": _quantile(errors, 0.5), "p90": _quantile(errors, 0.9)},
        "identity_accuracy": _share(own, len(pairs)),
        "side_accuracy": _share(sum(f["side"] == t["side"] for t, f in pairs), len(pairs)),
        "kind_accuracy": _share(sum(f["kind"] == t["kind"] for t, f in sure), len(sure)),
        "kind_unsure_share": _share(len(pairs) - len(sure), len(pairs)),
    }


def match(true: Sequence[dict], found: Sequence[dict]) -> list[tuple[dict, dict]]:
    """Pairs of true and found strokes of one recording, closest contacts first, one to one."""
    candidates = [
        (abs(t["contact_s"] - f["contact_s"]), i, j)
        for i, t in enumerate(true)
        for j, f in enumerate(found)
        if _stem(t["recording"]) == _stem(f["recording"])
        and abs(t["contact_s"] - f["contact_s"]) <= MATCH_S
    ]
    taken_true, taken_found, pairs = set(), set(), []
    for _, i, j in sorted(candidates):
        if i not in taken_true and j not in taken_found:
            taken_true.add(i)
            taken_found.add(j)
            pairs.append((i, j))
    return [(true[i], found[j]) for i, j in sorted(pairs)]


def _stem(recording: str) -> str:
    return Path(recording).stem


def _rows(path: Path, columns: Sequence[str]) -> list[dict]:
    try:
        table = pq.read_table(path)
    except (OSError, pa.ArrowInvalid) as error:
        raise RehearsalError(
            "not a table that can be read",
            file=path,
            expected="a Parquet file",
            found=type(error).__name__,
            todo="give the result folder of a run and the truth folder of a rehearsal",
        ) from error
    lacking = [c for c in columns if c not in table.column_names]
    if lacking:
        raise RehearsalError(
            "columns are missing", file=path, expected=", ".join(lacking), found="none of them"
        )
    return table.to_pylist()


def _optional(path: Path) -> list[dict]:
    return _rows(path, ()) if path.is_file() else []


def _names(true, found, pairs) -> dict[str, str]:
    """Found name → true name: the same when the result uses true names, else the best pairing."""
    wanted = sorted({t["player"] for t in true})
    given = sorted({f["player"] for f in found})
    if set(given) & set(wanted):
        return {name: name for name in given}
    shared = np.zeros((len(given), len(wanted)))
    for t, f in pairs:
        shared[given.index(f["player"]), wanted.index(t["player"])] += 1
    return {given[i]: wanted[j] for i, j in zip(*linear_sum_assignment(-shared), strict=True)}


def _measures(pairs, rows: Sequence[dict]) -> dict[str, dict]:
    values: dict[tuple, dict] = {
        (_stem(r["recording"]), r["number"], r["name"]): r for r in rows if r["value"] is not None
    }
    graded = {}
    for name, (_, unit) in MEASURES.items():
        errors, inside, missing = [], [], 0
        for true, found in pairs:
            if not np.isfinite(true[name]):
                continue
            row = values.get((_stem(found["recording"]), found["number"], name))
            if row is None or not np.isfinite(row["value"]):
                missing += 1
                continue
            errors.append(row["value"] - true[name])
            inside.append(abs(errors[-1]) <= COVERAGE * row["sd"])
        graded[name] = {
            "n": len(errors),
            "missing": missing,
            "median_abs_error": _quantile(np.abs(errors), 0.5),
            "p90_abs_error": _quantile(np.abs(errors), 0.9),
            "bias": float(np.mean(errors)) if errors else None,
            "coverage95": _share(sum(inside), len(inside)),
            "unit": unit,
        }
    return graded


def _ranking(pairs, rows: Sequence[dict], quality: TrueQuality) -> dict[str, float | int | None]:
    """Agreement of the result's order with the true one, averaged over the ranked groups.

    A group is one player's matched strokes of one kind and side, as the result has them, with
    both a score in the result and a true one; groups under `FEWEST_RANKED` strokes are left out.
    Of the strokes ``named`` best or worst, those are right that truly lie on that side of the
    middle of their group; one that lies at it is wrong.
    """
    scores = {(_stem(r["recording"]), r["number"]): r["score"] for r in rows}
    signs = {
        (_stem(r["recording"]), r["number"]): {"best": 1, "worst": -1}.get(r.get("named"), 0)
        for r in rows
    }
    groups = defaultdict(list)
    for true, found in pairs:
        key = _stem(found["recording"]), found["number"]
        score, truly = scores.get(key), quality(true["kind"], true)
        if score is not None and np.isfinite(score) and np.isfinite(truly):
            group = found["player"], found["kind"], found["side"]
            groups[group].append((score, truly, signs[key]))
    ranked = [np.array(g) for g in groups.values() if len(g) >= FEWEST_RANKED]
    best = [_overlap(-g[:, 0], -g[:, 1]) for g in ranked]
    worst = [_overlap(g[:, 0], g[:, 1]) for g in ranked]
    rho = [
        float(spearmanr(g[:, 0], g[:, 1]).statistic)
        for g in ranked
        if np.ptp(g[:, 0]) > 0 and np.ptp(g[:, 1]) > 0
    ]
    sides = [g[:, 2] * (g[:, 1] - np.median(g[:, 1])) for g in map(np.array, groups.values())]
    named = [np.abs(np.array(g)[:, 2]) > 0 for g in groups.values()]
    right = [bool(s > 0) for side, one in zip(sides, named, strict=True) for s in side[one]]
    return {
        "best3_overlap": _mean(best),
        "worst3_overlap": _mean(worst),
        "spearman": _mean(rho),
        "named": len(right),
        "named_right": _share(sum(right), len(right)),
    }


def _overlap(first: np.ndarray, second: np.ndarray) -> float:
    """Share of the three smallest entries that two orders have in common."""
    tops = [set(np.argsort(v, kind="stable")[:_SHOWN].tolist()) for v in (first, second)]
    return len(tops[0] & tops[1]) / _SHOWN


def _resources(path: Path) -> dict[str, float | None]:
    run = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    wall, recording = run.get("wall_s"), run.get("recording_s")
    return {
        "wall_s": wall,
        "recording_s": recording,
        "realtime_factor": wall / recording if wall is not None and recording else None,
        "peak_rss_mb": run.get("peak_rss_mb"),
    }


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if len(values) else None


def _quantile(values: Sequence[float] | np.ndarray, share: float) -> float | None:
    return float(np.quantile(values, share)) if len(values) else None
