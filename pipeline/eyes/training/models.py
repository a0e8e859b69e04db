"""The two networks, in ultralytics' own notation for models.

Both are small relatives of the nano models that ultralytics ships as files; channel counts stand
here in full. The paddle net looks at crops of 320 pixels in which a paddle is some 90 pixels
long: strides 8 and 16 do. The ball net looks for things of 3 to 25 pixels in whole frames: one
head of stride 4.
"""

import copy
from pathlib import Path

__all__ = ["BALL_MODEL", "PADDLE_MODEL", "built", "stored"]

_POSE_CHANNELS = 96
"""Of the paddle net's keypoint branches; ultralytics' rule gives a quarter of what comes in."""

PADDLE_MODEL = {
    "channels": 3,
    "nc": 3,
    "kpt_shape": [5, 3],
    "reg_max": 1,
    "end2end": False,
    "backbone": [
        [-1, 1, "Conv", [16, 3, 2]],
        [-1, 1, "Conv", [32, 3, 2]],
        [-1, 1, "C3k2", [64, False, 0.25]],
        [-1, 1, "Conv", [80, 3, 2]],
        [-1, 1, "C3k2", [128, False, 0.25]],
        [-1, 1, "Conv", [160, 3, 2]],
        [-1, 1, "C3k2", [192, True]],
        [-1, 1, "Conv", [256, 3, 2]],
        [-1, 1, "C3k2", [256, True]],
        [-1, 1, "SPPF", [256, 5]],
        [-1, 1, "C2PSA", [256]],
    ],
    "head": [
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 6], 1, "Concat", [1]],
        [-1, 1, "C3k2", [160, False]],
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 4], 1, "Concat", [1]],
        [-1, 1, "C3k2", [128, False]],
        [-1, 1, "Conv", [112, 3, 2]],
        [[-1, 13], 1, "Concat", [1]],
        [-1, 1, "C3k2", [160, False]],
        [[16, 19], 1, "Pose", ["nc", "kpt_shape"]],
    ],
}

BALL_MODEL = {
    "channels": 5,
    "nc": 1,
    "kpt_shape": [2, 2],
    "reg_max": 1,
    "end2end": False,
    "backbone": [
        [-1, 1, "Conv", [16, 3, 2]],
        [-1, 1, "Conv", [32, 3, 2]],
        [-1, 1, "C3k2", [32, False, 0.5]],
        [-1, 1, "Conv", [64, 3, 2]],
        [-1, 2, "C3k2", [96, False, 0.5]],
        [-1, 1, "Conv", [128, 3, 2]],
        [-1, 2, "C3k2", [160, False, 0.5]],
        [-1, 1, "SPPF", [160, 5]],
    ],
    "head": [
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 4], 1, "Concat", [1]],
        [-1, 1, "C3k2", [96, False]],
        [-1, 1, "nn.Upsample", [None, 2, "nearest"]],
        [[-1, 2], 1, "Concat", [1]],
        [-1, 1, "C3k2", [32, False]],
        [[13], 1, "Pose", ["nc", "kpt_shape"]],
    ],
}


def built(what: str, start: Path | None = None):
    """The untrained network of ``"paddle"`` or ``"ball"``, or as a checkpoint left it.

    Of a checkpoint with other channel counts only what fits is taken; one that saw fewer frames
    keeps its own in the middle.
    """
    from torch import nn
    from ultralytics.nn.modules import Conv
    from ultralytics.nn.tasks import PoseModel, load_checkpoint

    layout = copy.deepcopy(PADDLE_MODEL if what == "paddle" else BALL_MODEL)
    model = PoseModel(layout, nc=layout["nc"], ch=layout["channels"], verbose=False)
    if what == "paddle":
        head = model.model[-1]
        head.cv4 = nn.ModuleList(
            nn.Sequential(
                Conv(branch[0].conv.in_channels, _POSE_CHANNELS, 3),
                Conv(_POSE_CHANNELS, _POSE_CHANNELS, 3),
                nn.Conv2d(_POSE_CHANNELS, head.nk, 1),
            )
            for branch in head.cv4
        )
    if start is not None:
        kept = load_checkpoint(str(start), device="cpu")[0].state_dict()
        own = model.state_dict()
        _widened(kept, own)
        fitting = {n: v for n, v in kept.items() if n in own and v.shape == own[n].shape}
        model.load_state_dict(fitting, strict=False)
        model.requires_grad_(True)
    return model


def _widened(kept: dict, own: dict) -> None:
    """Give a first layer that saw fewer frames no weight for the new ones on either side."""
    from torch.nn.functional import pad

    name = "model.0.conv.weight"
    more = own[name].shape[1] - kept[name].shape[1]
    if more > 0:
        kept[name] = pad(kept[name], (0, 0, 0, 0, more // 2, more - more // 2))


def stored(model, path: Path) -> None:
    """Write the network alone, in half precision: no optimizer, no folders of the machine."""
    import torch

    model = copy.deepcopy(model).to("cpu", memory_format=torch.contiguous_format).half()
    kept = {"task": "pose", "imgsz": 320}
    model.args = dict(kept)
    beside = path.with_suffix(".part")
    torch.save({"model": model, "train_args": kept}, beside)
    beside.replace(path)
