"""Joined turn networks answer with the pool of their parts' answers."""

from pathlib import Path

import numpy as np
import pytest

from paddlebrief.turn.inputs import CROP_SIZE_PX, SCALARS, TurnInput
from paddlebrief.turn.net import BINS, DIRECTIONS, TurnNet, TurnOutput
from paddlebrief.turn.training.joining import join

SIZES = (BINS, BINS, BINS, 3 * DIRECTIONS, DIRECTIONS)


def small_network(path: Path, seed: int) -> Path:
    """An ONNX file with the turn network's inputs and outputs: one linear layer over the means."""
    onnx = pytest.importorskip("onnx")
    helper, numpy_helper = onnx.helper, onnx.numpy_helper
    rng = np.random.default_rng(seed)
    table = rng.normal(0, 1.0, (sum(SIZES), 6 + len(SCALARS))).astype(np.float16)
    stored = {
        "table_half": table,
        "cuts": np.array(SIZES, np.int64),
        "ways": np.array([0, DIRECTIONS, 3], np.int64),
    }
    nodes = [
        helper.make_node("Cast", ["table_half"], ["table"], to=1),
        helper.make_node("ReduceMean", ["planes"], ["means"], axes=[2, 3], keepdims=0),
        helper.make_node("Concat", ["means", "scalars"], ["features"], axis=1),
        helper.make_node("Gemm", ["features", "table"], ["all"], transB=1),
        helper.make_node("Split", ["all", "cuts"], ["a", "b", "c", "d", "e"], axis=1),
        *(
            helper.make_node("LogSoftmax", [raw], [name], axis=1)
            for raw, name in zip("abc", ("hip", "shoulder", "separation"), strict=True)
        ),
        helper.make_node("Reshape", ["d", "ways"], ["long"]),
        helper.make_node("ReduceL2", ["long"], ["length"], axes=[-1], keepdims=1),
        helper.make_node("Div", ["long", "length"], ["direction"]),
        helper.make_node("Exp", ["e"], ["concentration"]),
    ]
    shapes = {
        "planes": ("n", 6, CROP_SIZE_PX[1], CROP_SIZE_PX[0]), "scalars": ("n", len(SCALARS)),
        "hip": ("n", BINS), "shoulder": ("n", BINS), "separation": ("n", BINS),
        "direction": ("n", DIRECTIONS, 3), "concentration": ("n", DIRECTIONS),
    }  # fmt: skip
    values = [helper.make_tensor_value_info(n, 1, list(s)) for n, s in shapes.items()]
    weights = [numpy_helper.from_array(v, n) for n, v in stored.items()]
    graph = helper.make_graph(nodes, "small", values[:2], values[2:], weights)
    opset = [helper.make_opsetid("", 17)]
    onnx.save(helper.make_model(graph, opset_imports=opset, ir_version=8), str(path))
    return path


def inputs(count: int) -> list[TurnInput]:
    rng = np.random.default_rng(5)
    width, height = CROP_SIZE_PX
    return [
        TurnInput(
            planes=rng.integers(0, 256, (5, height, width), dtype=np.uint8),
            scalars=rng.normal(0, 1, len(SCALARS)).astype(np.float32),
        )
        for _ in range(count)
    ]


def answers(path: Path) -> TurnOutput:
    return TurnNet(path, threads=1)(inputs(4))


def test_a_pool_is_the_normalised_weighted_product_of_its_parts(tmp_path):
    # Logarithmic opinion pool: p ∝ p1^w p2^(1−w) (Genest and Zidek 1986, from memory).
    parts = [small_network(tmp_path / f"{k}.onnx", seed=k) for k in (1, 2)]
    join(parts, [1, 3], tmp_path / "joined.onnx", limb_shares=[2, 2])
    one, two, both = (answers(p) for p in (*parts, tmp_path / "joined.onnx"))
    for name in ("hip", "shoulder", "separation"):
        product = np.exp(getattr(one, name)) ** 0.25 * np.exp(getattr(two, name)) ** 0.75
        wanted = product / product.sum(axis=1, keepdims=True)
        np.testing.assert_allclose(np.exp(getattr(both, name)), wanted, rtol=0.05, atol=1e-4)
    total = (
        one.concentration[..., None] * one.direction
        + two.concentration[..., None] * two.direction
    )
    unit = total / np.linalg.norm(total, axis=-1, keepdims=True)
    assert np.median(np.sum(unit * both.direction, axis=-1)) > 0.999


def test_a_network_joined_with_itself_says_what_it_said(tmp_path):
    one = small_network(tmp_path / "one.onnx", seed=3)
    join([one, one], [0.5, 0.5], tmp_path / "joined.onnx")
    alone, both = answers(one), answers(tmp_path / "joined.onnx")
    np.testing.assert_allclose(np.exp(both.hip), np.exp(alone.hip), rtol=0.05, atol=1e-4)
    np.testing.assert_allclose(both.concentration, alone.concentration, rtol=0.05)


def test_shares_that_do_not_fit_are_refused(tmp_path):
    one = small_network(tmp_path / "one.onnx", seed=3)
    with pytest.raises(ValueError, match="expected 2 shares above 0"):
        join([one, one], [1.0], tmp_path / "joined.onnx")
    with pytest.raises(ValueError, match="expected 2 shares above 0"):
        join([one, one], [1.0, 0.0], tmp_path / "joined.onnx")
