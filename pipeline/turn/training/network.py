"""The turn network in torch: a small residual net, its losses, and its export to ONNX."""

import copy
from pathlib import Path

import torch
from torch import nn
from torch.nn import functional

from paddlebrief.turn.inputs import CROP_SIZE_PX, SCALARS
from paddlebrief.turn.net import BINS, DIRECTIONS, SEPARATION_LIMIT_DEG

__all__ = ["TurnModule", "disagreement", "export", "loss_of", "mirrored", "wide_input"]

_WIDTHS = (40, 80, 144, 224)
_BLOCKS = (1, 2, 3, 2)
_BLUR_RAD = 0.052  # labels are von Mises distributions about 3° wide
_SIZES = (BINS, BINS, BINS, DIRECTIONS * 4)


class _Block(nn.Module):
    def __init__(self, before: int, after: int, step: int, *, skip: float) -> None:
        super().__init__()
        self.skip = skip
        self.first = nn.Conv2d(before, after, 3, step, 1, bias=False)
        self.norm1, self.norm2 = nn.BatchNorm2d(after), nn.BatchNorm2d(after)
        self.second = nn.Conv2d(after, after, 3, 1, 1, bias=False)
        self.short = None
        if step != 1 or before != after:
            self.short = nn.Sequential(
                nn.Conv2d(before, after, 1, step, bias=False), nn.BatchNorm2d(after)
            )

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        y = functional.relu(self.norm1(self.first(x)))
        y = self.norm2(self.second(y))
        if self.training and self.skip > 0:  # stochastic depth (Huang and others 2016)
            y = y * (torch.rand(len(y), 1, 1, 1, device=y.device) >= self.skip) / (1 - self.skip)
        return functional.relu(y + (x if self.short is None else self.short(x)))


class TurnModule(nn.Module):
    """Six planes and three scalars to three histograms and five directions.

    Planes come as ``wide_input`` makes them. The histograms are logits; each direction is a
    vector of three and the logarithm of its concentration.

    Parameters
    ----------
    width
        Times the usual number of channels.
    skip
        Chance of leaving out the last residual block while learning, less for earlier ones.
    """

    def __init__(self, *, width: float = 1.0, skip: float = 0.0) -> None:
        super().__init__()
        widths = [8 * round(width * w / 8) for w in _WIDTHS]
        self.stem = nn.Sequential(
            nn.Conv2d(6, 24, 3, 2, 1, bias=False), nn.BatchNorm2d(24), nn.ReLU(),
            nn.Conv2d(24, widths[0], 3, 2, 1, bias=False), nn.BatchNorm2d(widths[0]), nn.ReLU(),
        )  # fmt: skip
        layers, before = [], widths[0]
        for level, (after, count) in enumerate(zip(widths, _BLOCKS, strict=True)):
            for k in range(count):
                share = skip * (len(layers) + 1) / sum(_BLOCKS)
                layers.append(_Block(before, after, 2 if level and not k else 1, skip=share))
                before = after
        self.body = nn.Sequential(*layers)
        # Where things are in the crop matters: a coarse grid is kept beside the mean.
        self.squeeze = nn.Sequential(nn.Conv2d(before, 24, 1), nn.ReLU())
        grid = 24 * (CROP_SIZE_PX[0] // 32) * (CROP_SIZE_PX[1] // 32)
        self.head = nn.Sequential(
            nn.Linear(before + grid + len(SCALARS), 320), nn.ReLU(), nn.Dropout(0.2),
            nn.Linear(320, sum(_SIZES)),
        )  # fmt: skip

    def forward(self, planes: torch.Tensor, scalars: torch.Tensor) -> tuple[torch.Tensor, ...]:
        x = self.body(self.stem(planes))
        features = [x.mean(dim=(2, 3)), self.squeeze(x).flatten(1), scalars]
        return self.head(torch.cat(features, dim=1)).split(_SIZES, dim=1)


class _Exported(nn.Module):
    """The network with its input's unpacking, and with probabilities and directions made plain."""

    def __init__(self, module: TurnModule) -> None:
        super().__init__()
        self.module = module

    def forward(self, planes: torch.Tensor, scalars: torch.Tensor):
        hip, shoulder, separation, directions = self.module(planes, scalars)
        directions = directions.view(-1, DIRECTIONS, 4)
        unit = functional.normalize(directions[..., :3], dim=-1)
        return (
            torch.log_softmax(hip, dim=1),
            torch.log_softmax(shoulder, dim=1),
            torch.log_softmax(separation, dim=1),
            unit,
            torch.exp(directions[..., 3].clamp(-3, 8)),
        )


def wide_input(planes: torch.Tensor) -> torch.Tensor:
    """(n, 5, 224, 160) uint8 planes to the (n, 6, 224, 160) floats of the network."""
    limbs = planes[:, 4:]
    left, right = limbs & 15, limbs >> 4
    greys = (planes[:, :3].float() - 127.5) / 127.5
    sides = torch.cat([left, right], dim=1).float() / 15
    return torch.cat([greys, planes[:, 3:4].float() / 255, sides], dim=1)


def mirrored(
    planes: torch.Tensor, scalars: torch.Tensor, labels: torch.Tensor
) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """Wide planes, scalars and labels of the mirror image."""
    turned = planes.flip(3)[:, [0, 1, 2, 3, 5, 4]]
    ways = labels[:, 2:].view(-1, DIRECTIONS, 3)[:, [0, 3, 4, 1, 2]]
    ways = ways * ways.new_tensor([-1.0, 1.0, 1.0])
    return turned, scalars, torch.cat([-labels[:, :2], ways.flatten(1)], dim=1)


def loss_of(outputs: tuple[torch.Tensor, ...], labels: torch.Tensor) -> torch.Tensor:
    """Cross-entropy of the three histograms plus half the directions' negative log-likelihood."""
    hip, shoulder, separation, directions = (o.float() for o in outputs)
    bins = torch.arange(BINS, device=labels.device) + 0.5
    circle = bins * (2 * torch.pi / BINS) - torch.pi
    total = 0.0
    for logits, angle in ((hip, labels[:, 0]), (shoulder, labels[:, 1])):
        soft = torch.softmax((torch.cos(circle - angle[:, None]) - 1) / _BLUR_RAD**2, dim=1)
        total = total + functional.cross_entropy(logits, soft)
    apart = torch.remainder(labels[:, 1] - labels[:, 0] + torch.pi, 2 * torch.pi) - torch.pi
    limit = SEPARATION_LIMIT_DEG * torch.pi / 180
    line = bins * (2 * limit / BINS) - limit
    blur = 0.6 * _BLUR_RAD
    soft = torch.softmax(-0.5 * ((line - apart.clamp(-limit, limit)[:, None]) / blur) ** 2, dim=1)
    total = total + functional.cross_entropy(separation, soft)
    return total + 0.5 * _direction_loss(directions, labels[:, 2:])


def disagreement(outputs: tuple[torch.Tensor, ...]) -> torch.Tensor:
    """How far the histograms of a batch's first half are from the mirrored ones of its second.

    The halves show the same samples, the first half in the mirror; the divergence is that of
    Jensen and Shannon, summed over the three histograms.
    """
    total = 0.0
    for logits in outputs[:3]:
        turned, plain = torch.softmax(logits.float(), dim=1).chunk(2)
        turned = turned.flip(1)
        middle = torch.log((turned + plain) / 2 + 1e-8)
        for part in (turned, plain):
            total = total + (part * (torch.log(part + 1e-8) - middle)).sum(dim=1).mean() / 2
    return total


def _direction_loss(directions: torch.Tensor, truth: torch.Tensor) -> torch.Tensor:
    """Negative log-likelihood of von Mises–Fisher distributions on the sphere, up to a constant."""
    directions = directions.view(-1, DIRECTIONS, 4)
    unit = functional.normalize(directions[..., :3], dim=-1)
    kappa = torch.exp(directions[..., 3].clamp(-3, 8))
    cosine = (unit * truth.view(-1, DIRECTIONS, 3)).sum(dim=-1)
    # ln(κ / (1 − e^(−2κ))) + κ (cos − 1) is the density's logarithm without ln 2π.
    log_density = torch.log(kappa) - torch.log(-torch.expm1(-2 * kappa)) + kappa * (cosine - 1)
    return -log_density.sum(dim=1).mean()


def export(module: TurnModule, path: Path) -> None:
    """Write the network as ONNX with weights of half precision."""
    import numpy as np
    import onnx
    from onnx import helper, numpy_helper

    exported = _Exported(copy.deepcopy(module).float().cpu()).eval()
    width, height = CROP_SIZE_PX
    example = torch.zeros(2, 6, height, width), torch.zeros(2, len(SCALARS))
    beside = path.with_suffix(".part.onnx")
    torch.onnx.export(
        exported, example, str(beside), dynamo=False, opset_version=17,
        input_names=["planes", "scalars"],
        output_names=["hip", "shoulder", "separation", "direction", "concentration"],
        dynamic_axes={"planes": {0: "n"}, "scalars": {0: "n"}},
    )  # fmt: skip
    graph = onnx.load(str(beside))
    casts, kept = [], []
    for weight in graph.graph.initializer:
        values = numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size < 1024:
            kept.append(weight)
            continue
        half = numpy_helper.from_array(values.astype(np.float16), weight.name + "_half")
        kept.append(half)
        casts.append(helper.make_node("Cast", [half.name], [weight.name], to=1))
    del graph.graph.initializer[:]
    graph.graph.initializer.extend(kept)
    nodes = [*casts, *graph.graph.node]
    del graph.graph.node[:]
    graph.graph.node.extend(nodes)
    onnx.save(graph, str(beside))
    beside.replace(path)
