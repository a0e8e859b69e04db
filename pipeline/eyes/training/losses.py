"""Losses of the two networks: ultralytics' own, with keypoints weighed otherwise."""

from types import SimpleNamespace

import torch
from ultralytics.utils.loss import v8PoseLoss

__all__ = ["criterion"]

_GAINS = {
    "paddle": {"pose": 3.0, "box": 4.0, "cls": 1.0, "kobj": 0.7, "dfl": 1.5},
    "ball": {"pose": 2.0, "box": 5.0, "cls": 0.8, "kobj": 0.0, "dfl": 1.5},
}
_SHARPNESS = {"paddle": 0.035, "ball": 0.07}
"""Error, as a share of a box's size, from which on a keypoint's loss grows slowly."""
_HIDDEN_WEIGHT = 0.3
"""Places of hidden keypoints are known and follow from the visible ones: they count a little."""


class _Criterion(v8PoseLoss):
    """Keypoint loss log(1 + d²/(s²·A)) for a distance d, a box of area A and the share s.

    It is a Cauchy likelihood: steep for small errors, and it does not die for large ones as the
    stock loss 1 − exp(−d²/…) does at the start.
    """

    def __init__(self, model, sharpness: float) -> None:
        super().__init__(model)
        self._sharpness = sharpness

    def calculate_keypoints_loss(
        self, masks, target_gt_idx, keypoints, stride_tensor, target_bboxes, pred_kpts
    ):
        sample = masks.nonzero(as_tuple=True)[0]
        wanted = keypoints[sample, target_gt_idx[masks]]
        stride = stride_tensor.view(1, -1).expand(masks.shape[0], -1)[masks][:, None, None]
        boxes = target_bboxes[masks] / stride[:, 0]
        area = (boxes[:, 2:] - boxes[:, :2]).prod(1, keepdim=True)
        found = pred_kpts[masks]
        visible = wanted[..., 2] > 0
        distance2 = (found[..., :2] - wanted[..., :2] / stride).pow(2).sum(-1)
        weight = torch.where(visible, 1.0, _HIDDEN_WEIGHT)
        place = weight * torch.log1p(distance2 / (self._sharpness**2 * (area + 1e-9)))
        if found.shape[-1] < 3:
            return place.mean(), 0.0 * place.mean()
        return place.mean(), self.bce_pose(found[..., 2], visible.float())


def criterion(model, what: str) -> _Criterion:
    """The loss of ``"paddle"`` or ``"ball"`` for a model, which it gives its gains."""
    model.args = SimpleNamespace(**_GAINS[what])
    return _Criterion(model, _SHARPNESS[what])
