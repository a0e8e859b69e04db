"""Products: whole or absent, found again, and keyed by what they depend on."""

from dataclasses import replace
from pathlib import Path

import pytest

from paddlebrief.codeversion import code_digest
from paddlebrief.products import WorkFolder, read_strokes, write_strokes
from paddlebrief.records import MeasuredStroke
from tests.bodies2d import swing_points
from tests.test_mechanics import TIME, measures, stroke


def product(root: Path, **changes):
    given = {"content": "a" * 64, "settings": "b" * 64, "module": "paddlebrief.smoothing"}
    return WorkFolder(root).product("sight", **{**given, **changes})


def test_work_is_done_once(tmp_path):
    calls = []

    def work(folder):
        calls.append(folder)
        (folder / "x").write_text("1")

    assert product(tmp_path).make(work)
    assert not product(tmp_path).make(work)
    assert len(calls) == 1
    assert (product(tmp_path).folder / "x").read_text() == "1"


def test_a_failure_leaves_no_product_and_what_was_there_is_found_again(tmp_path):
    def broken(folder):
        (folder / "first-part").write_text("kept")
        raise OSError("disk full")

    with pytest.raises(OSError, match="disk full"):
        product(tmp_path).make(broken)
    assert not product(tmp_path).finished
    seen = []
    product(tmp_path).make(lambda folder: seen.append((folder / "first-part").read_text()))
    assert seen == ["kept"]


@pytest.mark.parametrize(
    "change", [{"content": "c" * 64}, {"settings": "d" * 64}, {"module": "paddlebrief.ears"}]
)
def test_content_settings_and_code_each_change_the_place(tmp_path, change):
    assert product(tmp_path).folder != product(tmp_path, **change).folder
    assert product(tmp_path).key != product(tmp_path, **change).key


def test_code_digest_follows_imports_inside_the_package_only():
    assert code_digest("paddlebrief.smoothing") == code_digest("paddlebrief.smoothing")
    assert code_digest("paddlebrief.smoothing") != code_digest("paddlebrief.body")
    with pytest.raises(ModuleNotFoundError):
        code_digest("paddlebrief.nothing_here")


def test_strokes_come_back_exactly(tmp_path):
    taken = tuple(measures(swing_points(TIME, 2.0)).values())
    one = MeasuredStroke(recording="a.mp4", stroke=stroke(), measures=taken)
    two = replace(one, stroke=replace(stroke(), number=2, contact_s=2.0 + 1 / 3))
    write_strokes(tmp_path / "m.json", [one, two])
    back = read_strokes(tmp_path / "m.json")
    assert repr(back) == repr([one, two])
    write_strokes(tmp_path / "s.json", [one.stroke])
    assert read_strokes(tmp_path / "s.json") == [one.stroke]
