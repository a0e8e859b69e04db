"""Joins trained turn networks to one that answers with what they say together.

Run with ``python -m paddlebrief.turn.training.joining NET… --shares S… --out turn.onnx``. Networks
trained by unlike recipes err unlike. Their logarithms of probability are averaged and normalised
(the logarithmic opinion pool, Genest and Zidek 1986, from memory): the surer one counts for more,
so that a network that knows rendered bodies best and people least does little harm on people.
Averaged probabilities did worse on both. Weights are kept in eight bits with one scale for each
output channel, which moves an answer by less than 1°; a file then holds two networks in the room
of one.
"""

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from paddlebrief.turn.net import DIRECTIONS

__all__ = ["join"]

_HISTOGRAMS = ("hip", "shoulder", "separation")
_OUTPUTS = (*_HISTOGRAMS, "direction", "concentration")
_SMALL = 1024  # tensors with fewer weights are kept as they are
_STEPS = 127
_HALF = np.float16


def join(
    networks: Sequence[Path],
    shares: Sequence[float],
    out: Path,
    *,
    limb_shares: Sequence[float] | None = None,
) -> None:
    """Write one ONNX file that runs several networks and mixes their answers.

    Parameters
    ----------
    networks
        ONNX files as ``network.export`` writes them.
    shares
        Weight of each in the mixture; they need not add up to 1.
    out
        The file to write.
    limb_shares
        Weight of each in the directions of spine and arms; None takes ``shares``.

    Raises
    ------
    ValueError
        When the shares do not fit the networks.
    """
    import onnx
    from onnx import compose, helper

    lines, limbs = (_parts(s, len(networks)) for s in (shares, limb_shares or shares))
    nodes, weights, whole = [], [], None
    for number, path in enumerate(networks):
        whole = onnx.load(str(path))
        inputs = list(whole.graph.input)
        named = compose.add_prefix(whole, f"n{number}/", rename_inputs=False)
        added, kept = _in_bytes(named.graph)
        nodes += [*added, *(n for n in named.graph.node if not _unpacks(n, named.graph))]
        weights += kept
    mixing, constants = _mixing(lines, limbs)
    graph = helper.make_graph(
        [*nodes, *mixing], "turns", inputs, list(whole.graph.output), [*weights, *constants]
    )
    model = helper.make_model(
        graph, opset_imports=whole.opset_import, ir_version=whole.ir_version
    )
    onnx.checker.check_model(model)
    beside = out.with_suffix(".part.onnx")
    onnx.save(model, str(beside))
    beside.replace(out)


def _parts(shares: Sequence[float], count: int) -> np.ndarray:
    if len(shares) != count or min(shares, default=0) <= 0:
        raise ValueError(f"expected {count} shares above 0, got {list(shares)}")
    return np.asarray(shares, np.float32) / np.float32(np.sum(shares))


def _unpacks(node, graph) -> bool:
    """Whether a node only brings weights of half precision to single precision."""
    return node.op_type == "Cast" and node.input[0] in {w.name for w in graph.initializer}


def _in_bytes(graph) -> tuple[list, list]:
    """Nodes that unpack a network's weights, and the weights, large ones in bytes."""
    from onnx import helper, numpy_helper

    names = {n.input[0]: n.output[0] for n in graph.node if _unpacks(n, graph)}
    nodes, kept = [], []
    for weight in graph.initializer:
        values = numpy_helper.to_array(weight)
        name = names.get(weight.name, weight.name)
        if values.dtype == _HALF:
            values = values.astype(np.float32)
        if values.dtype != np.float32 or values.size < _SMALL or values.ndim < 2:
            kept.append(numpy_helper.from_array(values, name))
            continue
        axes = tuple(range(1, values.ndim))
        scale = np.maximum(np.abs(values).max(axis=axes, keepdims=True), 1e-12) / _STEPS
        whole = np.round(values / scale).astype(np.int8)
        kept.append(numpy_helper.from_array(whole, f"{name}_bytes"))
        kept.append(numpy_helper.from_array(scale.astype(np.float32), f"{name}_scale"))
        nodes.append(helper.make_node("Cast", [f"{name}_bytes"], [f"{name}_steps"], to=1))
        nodes.append(helper.make_node("Mul", [f"{name}_steps", f"{name}_scale"], [name]))
    return nodes, kept


class _Graph:
    """Collects nodes and constants under running names."""

    def __init__(self) -> None:
        self.nodes: list = []
        self.constants: list = []

    def constant(self, values) -> str:
        from onnx import numpy_helper

        name = f"mix/c{len(self.constants)}"
        self.constants.append(numpy_helper.from_array(np.asarray(values), name))
        return name

    def add(self, kind: str, *inputs: str, out: str | None = None, **settings) -> str:
        from onnx import helper

        name = out or f"mix/v{len(self.nodes)}"
        self.nodes.append(helper.make_node(kind, list(inputs), [name], **settings))
        return name


def _mixing(lines: np.ndarray, limbs: np.ndarray) -> tuple[list, list]:
    """Nodes and constants that mix the networks' answers.

    Logarithms of probability are averaged and normalised. Directions are averaged by
    concentration; the variance of their mixture is that of their mean concentration and the mean
    of their squared angles from it.
    """
    graph = _Graph()

    def mean(values: list[str], parts: np.ndarray) -> str:
        shares = [graph.constant(np.float32(p)) for p in parts]
        shared = [graph.add("Mul", v, s) for v, s in zip(values, shares, strict=True)]
        return graph.add("Sum", *shared)

    def of(name: str) -> list[str]:
        return [f"n{k}/{name}" for k in range(len(lines))]

    for name in _HISTOGRAMS:
        graph.add("LogSoftmax", mean(of(name), lines), out=name, axis=1)
    column = graph.constant(np.array([0, DIRECTIONS, 1], np.int64))
    pulls = [
        graph.add("Mul", way, graph.add("Reshape", kappa, column))
        for way, kappa in zip(of("direction"), of("concentration"), strict=True)
    ]
    total = mean(pulls, limbs)
    least = graph.constant(np.float32(1e-9))
    length = graph.add("ReduceL2", total, axes=[-1], keepdims=1)
    graph.add("Div", total, graph.add("Max", length, least), out="direction")
    one = graph.constant(np.float32(1.0))
    last = graph.constant(np.array([-1], np.int64))
    limits = graph.constant(np.float32(-1.0)), one
    spreads = []
    for way in of("direction"):
        cosine = graph.add("ReduceSum", graph.add("Mul", way, "direction"), last, keepdims=0)
        angle = graph.add("Acos", graph.add("Clip", cosine, *limits))
        spreads.append(graph.add("Mul", angle, angle))
    own = graph.add("Div", one, mean(of("concentration"), limbs))
    graph.add("Div", one, graph.add("Add", own, mean(spreads, limbs)), out="concentration")
    return graph.nodes, graph.constants


def main() -> None:
    parser = argparse.ArgumentParser(
        prog="paddlebrief.turn.training.joining", description=__doc__.splitlines()[0]
    )
    parser.add_argument("networks", nargs="+", type=Path, metavar="NET", help="ONNX files")
    parser.add_argument("--shares", nargs="+", type=float, required=True, help="weight of each")
    parser.add_argument("--limb-shares", nargs="+", type=float, help="the same for directions")
    parser.add_argument("--out", type=Path, required=True, help="ONNX file to write")
    options = parser.parse_args()
    join(options.networks, options.shares, options.out, limb_shares=options.limb_shares)


if __name__ == "__main__":
    main()
