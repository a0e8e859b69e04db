"""How much of a measure's uncertainty is each stroke's own, by rehearsals with truth.

Run with ``python -m tests.benchmarks.sharing RESULT TRUTH [RESULT TRUTH …]``: result folders of
runs and the truth folders of their rehearsals. Errors are taken about their mean in each group of
one player, side and kind, which leaves out what the group shares. Printed for each measure are
the errors' root mean square, what is stated, the scatter within groups over what is stated, and
the upper 95 % limit of that by the χ² distribution of a variance. ``mechanics/sharing.py`` rests
on these limits.
"""

import sys
from collections import defaultdict
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
from scipy.stats import chi2

from paddlebrief.rehearsal.grade import match
from paddlebrief.rehearsal.true_measures import MEASURES


def errors(result: Path, truth: Path) -> dict[str, dict[tuple, list[tuple[float, float]]]]:
    """By measure and group, error and stated standard uncertainty of each stroke."""
    true, found = (pq.read_table(f / "strokes.parquet").to_pylist() for f in (truth, result))
    rows = pq.read_table(result / "measures.parquet").to_pylist()
    taken = {(r["number"], r["name"]): r for r in rows if r["value"] is not None}
    grouped: dict = defaultdict(lambda: defaultdict(list))
    for real, seen in match(true, found):
        group = str(result), real["player"], real["side"], real["kind"]
        for name in MEASURES:
            row = taken.get((seen["number"], name))
            if row is not None and np.isfinite(real[name]):
                grouped[name][group].append((row["value"] - real[name], row["sd"]))
    return grouped


def own_share(groups: list[np.ndarray]) -> tuple[float, float, int]:
    """Scatter within groups over what is stated, its upper 95 % limit, degrees of freedom."""
    freedom = sum(len(g) - 1 for g in groups)
    if freedom == 0:
        return np.nan, np.nan, 0
    square = sum(np.sum((g[:, 0] - g[:, 0].mean()) ** 2) / np.mean(g[:, 1] ** 2) for g in groups)
    ratio = float(np.sqrt(square / freedom))
    return ratio, ratio * float(np.sqrt(freedom / chi2.ppf(0.05, freedom))), freedom


def main(paths: list[str]) -> None:
    found: dict = defaultdict(list)
    for result, truth in zip(paths[::2], paths[1::2], strict=True):
        for name, groups in errors(Path(result), Path(truth)).items():
            found[name] += [np.array(g) for g in groups.values()]
    print(f"{'measure':24} {'n':>3} {'rms':>7} {'stated':>7} {'own':>5} {'limit':>5}  freedom")
    for name, groups in found.items():
        every = np.sqrt(np.mean(np.concatenate(groups) ** 2, axis=0))
        ratio, limit, freedom = own_share(groups)
        count = sum(map(len, groups))
        row = f"{every[0]:7.3f} {every[1]:7.3f} {ratio:5.2f} {limit:5.2f}  {freedom}"
        print(f"{name:24} {count:3} {row}")


if __name__ == "__main__":
    main(sys.argv[1:])
