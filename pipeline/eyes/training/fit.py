"""Trains the two networks with ultralytics on rendered samples."""

import copy
import logging
import os
import shutil
from pathlib import Path

from paddlebrief.eyes.training.models import BALL_MODEL, PADDLE_KINDS, PADDLE_MODEL
from paddlebrief.eyes.training.samples import SampleSet

__all__ = ["fit"]

logger = logging.getLogger(__name__)

_KEYPOINT_SHARPNESS = {"paddle": 0.05, "ball": 0.10}
"""Error, as a share of a box's size, from which on a keypoint's loss grows slowly."""
_SETTINGS = {
    "paddle": {"pose": 3.0, "box": 5.0, "cls": 0.7, "kobj": 1.0, "lr0": 0.002},
    "ball": {"pose": 2.0, "box": 5.0, "cls": 0.7, "kobj": 1.0, "lr0": 0.003},
}


def _handling(what: str):
    from paddlebrief.eyes.training.batches import Handling

    if what == "paddle":
        return Handling(
            mirrored_points=(0, 1, 2, 4, 3), reversible=False, turn_deg=14, shift=0.10,
            scale=0.14, smallest_box_px=10,
        )  # fmt: skip
    return Handling(
        mirrored_points=(0, 1), reversible=True, turn_deg=12, shift=0.08, scale=0.15,
        smallest_box_px=8,
    )  # fmt: skip


def _data(what: str) -> dict:
    names = dict(enumerate(PADDLE_KINDS)) if what == "paddle" else {0: "ball"}
    model = PADDLE_MODEL if what == "paddle" else BALL_MODEL
    return {
        "nc": len(names), "names": names, "channels": 3, "kpt_shape": model["kpt_shape"],
        "train": "train", "val": "val", "path": "",
    }  # fmt: skip


def _sharp_keypoint_loss(share: float):
    """A keypoint loss that stays steep for small errors and does not die for large ones.

    log(1 + d²/(s²·A)) for a distance d, a box of area A and the share s (a Cauchy likelihood);
    the stock loss, 1 − exp(−d²/…), is flat for keypoints far off at the start.
    """
    import torch

    class Sharp(torch.nn.Module):
        def forward(self, pred_kpts, gt_kpts, kpt_mask, area):
            d = (pred_kpts[..., :2] - gt_kpts[..., :2]).pow(2).sum(-1)
            weight = kpt_mask.shape[1] / (kpt_mask.sum(1, keepdim=True) + 1e-9)
            return (weight * torch.log1p(d / (share**2 * (area + 1e-9))) * kpt_mask).mean()

    return Sharp()


def fit(
    what: str,
    train: SampleSet,
    held: SampleSet,
    folder: Path,
    *,
    seed: int,
    batch_size: int,
    hours: float | None,
    epochs: int,
    device: str,
) -> Path:
    """Train ``what`` (``"paddle"`` or ``"ball"``) and return the checkpoint.

    Parameters
    ----------
    hours
        Stop after this time; None trains for ``epochs`` passes over the samples.
    device
        ``"cpu"`` or the number of a GPU.
    """
    os.environ.update({"YOLO_OFFLINE": "1", "YOLO_AUTOINSTALL": "0"})
    from ultralytics.models.yolo.pose import PoseTrainer
    from ultralytics.nn.tasks import PoseModel

    from paddlebrief.eyes.training.batches import Batches

    class Trainer(PoseTrainer):
        def get_dataset(self):
            return _data(what)

        def get_model(self, cfg=None, weights=None, verbose=True):
            layout = copy.deepcopy(PADDLE_MODEL if what == "paddle" else BALL_MODEL)
            return PoseModel(layout, nc=layout["nc"], ch=3, verbose=False)

        def get_dataloader(self, dataset_path, batch_size=16, rank=0, mode="train"):
            training = mode == "train"
            return Batches(
                train if training else held,
                _handling(what) if training else None,
                batch_size=min(batch_size, len(train if training else held)),
                device=self.device,
                seed=seed,
            )

        def validate(self):
            # Held-out samples are judged once, after training, in the network's own terms.
            return {}, -float(self.loss.detach())

        def final_eval(self):
            return None

    trainer = Trainer(
        overrides={
            **_SETTINGS[what],
            "model": f"{what}.yaml", "data": "rendered", "epochs": epochs, "time": hours,
            "imgsz": int(train.pictures.shape[1]), "batch": batch_size, "device": device,
            "seed": seed, "amp": "bf16" if device != "cpu" else False, "val": False,
            "plots": False, "optimizer": "AdamW", "cos_lr": True, "lrf": 0.01,
            "warmup_epochs": 0.5, "warmup_bias_lr": 0.0, "close_mosaic": 0,
            "project": str(folder), "name": what, "exist_ok": True, "pretrained": False,
            "workers": 0, "deterministic": False, "patience": 0,
        }
    )  # fmt: skip

    def sharpen(trainer) -> None:
        trainer.model.criterion = trainer.model.init_criterion()
        trainer.model.criterion.keypoint_loss = _sharp_keypoint_loss(_KEYPOINT_SHARPNESS[what])

    trainer.add_callback("on_pretrain_routine_end", sharpen)
    trainer.train()
    checkpoint = folder / f"{what}.pt"
    shutil.copy(trainer.last, checkpoint)
    _strip(checkpoint)
    logger.info("%s: %d samples, %d held out", what, len(train), len(held))
    return checkpoint


def _strip(checkpoint: Path) -> None:
    """Keep the network alone: no optimizer, no folders of the machine that trained it."""
    import torch
    from ultralytics.utils.torch_utils import strip_optimizer

    strip_optimizer(str(checkpoint))
    found = torch.load(checkpoint, map_location="cpu", weights_only=False)
    kept = {"task": "pose", "imgsz": found["train_args"]["imgsz"]}
    found["model"].args = dict(kept)
    torch.save({"model": found["model"], "train_args": kept}, checkpoint)
