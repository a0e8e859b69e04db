"""Varies training samples on the learning device, beyond what any real picture does.

Real people differ from rendered ones in cloth, skin, light, in the edge that the pose network's
mask has, and in where its landmarks lie. What cannot be rendered well is made random here, so
that nothing is left to lean on but the shape of the body and its shading.
"""

import torch
from torch.nn import functional

from paddlebrief.turn.inputs import CROP_SIZE_PX
from paddlebrief.turn.training.network import wide_input

__all__ = ["augmented"]

_SPREAD = 0.38  # of greys inside the mask, as ``inputs.make_input`` scales them


class _Chances:
    """Draws for each of n samples, shaped to act on (n, c, h, w)."""

    def __init__(self, n: int, device) -> None:
        self.n, self.device = n, device

    def flag(self, share: float) -> torch.Tensor:
        return (torch.rand(self.n, 1, 1, 1, device=self.device) < share).float()

    def uniform(self, low: float, high: float) -> torch.Tensor:
        return low + (high - low) * torch.rand(self.n, 1, 1, 1, device=self.device)

    def normal(self, size: float = 1.0) -> torch.Tensor:
        return size * torch.randn(self.n, 1, 1, 1, device=self.device)

    def field(self, rows: int, columns: int, channels: int = 1) -> torch.Tensor:
        """Smooth noise over the crop, with a coarse grid of rows and columns."""
        width, height = CROP_SIZE_PX
        coarse = torch.randn(self.n, channels, rows, columns, device=self.device)
        return functional.interpolate(coarse, (height, width), mode="bilinear", align_corners=False)


def augmented(
    planes: torch.Tensor, scalars: torch.Tensor, *, strength: float = 1.0
) -> tuple[torch.Tensor, torch.Tensor]:
    """Samples as the network gets them while it learns.

    Parameters
    ----------
    planes
        (n, 5, 224, 160) uint8, as ``TurnInput``.
    scalars
        (n, 3).
    strength
        How often colours, masks and limbs are made unlike real ones; 1 is the usual.

    Returns
    -------
    planes, scalars
        (n, 6, 224, 160) floats in the layout of ``wide_input``, and (n, 3).
    """
    draw = _Chances(len(planes), planes.device)
    wide = wide_input(planes)
    greys, mask, limbs = wide[:, :3], wide[:, 3:4], wide[:, 4:]
    alone = draw.flag(0.45)
    greys = alone * greys[:, 1:2] + (1 - alone) * greys
    greys = _recoloured(greys, mask, draw, strength)
    greys, mask = _cut_out_badly(greys, mask, draw, strength)
    greys = _levelled(greys, mask)
    greys = _lit(greys, mask, draw)
    greys = _spoilt(greys, mask, draw)
    greys, mask = _covered(greys, mask, draw)
    greys = greys * (1 - draw.flag(0.08 * strength))
    mask = mask * (1 - draw.flag(0.03))
    limbs = limbs * (1 - draw.flag(0.05))
    wide = _moved(greys.clamp(-1, 1), mask, limbs, draw)
    unknown = draw.flag(0.2)[:, :, 0, 0]
    return wide, scalars * (1 - unknown)


def _recoloured(greys, mask, draw: _Chances, strength: float) -> torch.Tensor:
    """Other greys for cloth, skin and hair: a random curve over them, and painted patterns."""
    curve = draw.normal(0.6) + 0.6
    bent = curve * greys
    for turns in (1, 2, 3):
        bent = bent + draw.normal(0.45 / turns) * torch.sin(
            torch.pi * turns * greys + draw.uniform(-3.15, 3.15)
        )
    use = draw.flag(0.4 * strength)
    greys = use * bent + (1 - use) * greys
    greys = greys * (1 - 2 * draw.flag(0.1 * strength))
    width, height = CROP_SIZE_PX
    across = torch.arange(width, device=greys.device).float()
    down = torch.arange(height, device=greys.device).float()[:, None]
    wave = draw.uniform(0.15, 1.2) * (draw.normal() * across + draw.normal() * down) + draw.uniform(
        0, 6.28
    )
    middle, half = draw.uniform(20, 200), draw.uniform(10, 50)
    stripes = torch.sign(torch.sin(wave)) * ((down - middle).abs() < half)
    greys = greys + draw.flag(0.1 * strength) * draw.uniform(0.1, 0.9) * stripes
    step = int(torch.randint(4, 22, (1,)))
    blots = draw.field(height // step, width // step)
    greys = greys + draw.flag(0.3 * strength) * draw.uniform(0.05, 0.5) * blots
    return greys * mask


def _cut_out_badly(greys, mask, draw: _Chances, strength: float):
    """Masks that are too large, too small, have holes, or keep pieces of the background."""
    width, height = CROP_SIZE_PX
    behind = 0.5 * draw.field(9, 7) + draw.normal(0.4)
    k = 3 if torch.rand(()) < 0.5 else 5
    larger = functional.max_pool2d(mask, k, 1, k // 2)
    smaller = -functional.max_pool2d(-mask, k, 1, k // 2)
    grow = draw.flag(0.15 * strength)
    shrink = draw.flag(0.15 * strength) * (1 - grow)
    new = grow * larger + shrink * smaller + (1 - grow - shrink) * mask
    blobs = torch.sigmoid(12 * (draw.field(14, 10) - draw.uniform(1.2, 2.2)))
    new = new * (1 - draw.flag(0.15 * strength) * blobs)
    cells = functional.max_pool2d(functional.avg_pool2d(mask, 16), 3, 1, 1)
    near = functional.interpolate(cells, (height, width), mode="bilinear", align_corners=False)
    islands = torch.sigmoid(12 * (draw.field(14, 10) - draw.uniform(0.8, 1.8))) * near
    islands = islands * draw.flag(0.2 * strength) * draw.uniform(0.3, 1.0)
    new = torch.maximum(new, islands)
    added = (new - mask).clamp(min=0)
    kept = torch.where(mask > 0.02, new.clamp(max=1) / mask.clamp(min=0.02), new).clamp(0, 1)
    greys = greys * kept + behind * added
    sharp = torch.exp(draw.normal(0.25))
    return greys, new.clamp(0, 1) ** sharp


def _levelled(greys: torch.Tensor, mask: torch.Tensor) -> torch.Tensor:
    """Brightness and contrast of the middle picture as ``inputs.make_input`` sets them."""
    total = mask.sum(dim=(2, 3), keepdim=True).clamp(min=1)
    mean = greys[:, 1:2].sum(dim=(2, 3), keepdim=True) / total
    off = greys - mean * mask
    spread = (off[:, 1:2] ** 2).sum(dim=(2, 3), keepdim=True) / total
    return off * (_SPREAD / spread.sqrt().clamp(min=0.03))


def _lit(greys, mask, draw: _Chances) -> torch.Tensor:
    """Contrast, uneven light, and one picture lighter than the next."""
    greys = greys * torch.exp(draw.normal(0.4))
    uneven = draw.field(5, 4) * draw.uniform(0, 0.45) + draw.field(14, 10) * draw.uniform(0, 0.12)
    drift = 0.04 * torch.randn(draw.n, 3, 1, 1, device=greys.device)
    return greys + (uneven + drift) * mask


def _spoilt(greys, mask, draw: _Chances) -> torch.Tensor:
    """Fewer pixels, blur, halos of sharpening, blocks of compression, grain."""
    size = greys.shape[2:]
    for factor, share in ((2, 0.15), (4, 0.04)):
        coarse = functional.avg_pool2d(greys, factor)
        coarse = functional.interpolate(coarse, size, mode="bilinear", align_corners=False)
        use = draw.flag(share)
        greys = use * coarse + (1 - use) * greys
    soft = functional.avg_pool2d(greys, 5, 1, 2)
    greys = greys + draw.flag(0.5) * draw.uniform(-0.9, 0.9) * (greys - soft)
    blocks = functional.interpolate(functional.avg_pool2d(greys, 8), size, mode="nearest")
    greys = greys + draw.flag(0.08) * draw.uniform(0.2, 0.7) * (blocks - greys)
    grain = torch.randn(draw.n, 3, *size, device=greys.device) * draw.uniform(0, 0.1)
    return greys + grain * mask


def _covered(greys, mask, draw: _Chances):
    """A box in front that belongs to nobody, and a ball or a racket that counts as body."""
    width, height = CROP_SIZE_PX
    across = torch.arange(width, device=greys.device)
    down = torch.arange(height, device=greys.device)[:, None]
    x, y = draw.uniform(0, width), draw.uniform(0, height)
    box = ((across - x).abs() < draw.uniform(0, width / 6)) & (
        (down - y).abs() < draw.uniform(0, height / 6)
    )
    open_ = 1 - box * draw.flag(0.15)
    greys, mask = greys * open_, mask * open_
    x, y = draw.uniform(30, width - 30), draw.uniform(20, height - 20)
    radius, stretch = draw.uniform(3, 16), torch.exp(draw.normal(0.3))
    inside = ((across - x) * stretch) ** 2 + ((down - y) / stretch) ** 2 < radius**2
    disc = inside * draw.flag(0.15)
    shade = draw.normal(0.7) + 0.2 * draw.field(28, 20)
    return greys * (1 - disc) + disc * shade, torch.maximum(mask, disc)


def _moved(greys, mask, limbs, draw: _Chances) -> torch.Tensor:
    """Crops follow unsteady landmarks; the limbs drawn lie a little beside the true ones."""
    n, device = draw.n, greys.device
    zoom = torch.exp(0.05 * torch.randn(n, 1, device=device))
    aspect = torch.exp(0.03 * torch.randn(n, 1, device=device))
    angle = 0.04 * torch.randn(n, device=device)
    width, height = CROP_SIZE_PX
    turn = torch.zeros(n, 2, 3, device=device)
    turn[:, 0, 0] = (zoom * aspect)[:, 0] * torch.cos(angle)
    turn[:, 0, 1] = -torch.sin(angle) * height / width
    turn[:, 1, 0] = torch.sin(angle) * width / height
    turn[:, 1, 1] = (zoom / aspect)[:, 0] * torch.cos(angle)
    turn[:, :, 2] = 0.035 * torch.randn(n, 2, device=device)
    shape = [n, 4, height, width]
    grid = functional.affine_grid(turn, shape, align_corners=False)
    off = draw.field(8, 6, channels=2) * draw.normal(1.8).abs()
    scale = torch.tensor([2 / width, 2 / height], device=device)
    beside = grid + off.permute(0, 2, 3, 1) * scale
    body = functional.grid_sample(torch.cat([greys, mask], dim=1), grid, align_corners=False)
    return torch.cat([body, functional.grid_sample(limbs, beside, align_corners=False)], dim=1)
