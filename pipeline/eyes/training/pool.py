"""Samples kept on the device that trains, filled while training goes on."""

import threading

import numpy as np
import torch

from paddlebrief.eyes.training.samples import SampleSet

__all__ = ["Pool"]


class Pool:
    """Up to ``most`` samples; when it is full, new ones take the places of the oldest.

    One thread may add while another draws.
    """

    def __init__(self, most: int, device: torch.device) -> None:
        self._most, self._device = most, device
        self._kept: dict[str, torch.Tensor] = {}
        self._lock = threading.Lock()
        self.seen = 0
        """Samples added so far, those that were replaced among them."""

    def __len__(self) -> int:
        return min(self.seen, self._most)

    def add(self, samples: SampleSet) -> None:
        """Take samples over."""
        for first in range(0, len(samples), self._most):
            part = {n: v[first : first + self._most] for n, v in vars(samples).items()}
            self._put({n: torch.from_numpy(np.array(v)).to(self._device) for n, v in part.items()})

    def _put(self, part: dict[str, torch.Tensor]) -> None:
        count = len(part["pictures"])
        with self._lock:
            if not self._kept:
                self._kept = {
                    n: torch.zeros((self._most, *v.shape[1:]), dtype=v.dtype, device=self._device)
                    for n, v in part.items()
                }
            places = (self.seen + torch.arange(count, device=self._device)) % self._most
            for name, values in part.items():
                self._kept[name][places] = values
            self.seen += count

    def draw(self, index: torch.Tensor) -> dict[str, torch.Tensor]:
        """The samples at these places, by the names of ``SampleSet``."""
        with self._lock:
            return {name: values[index] for name, values in self._kept.items()}
