"""The bodies that training pictures show, and those kept apart for checking."""

import numpy as np

from paddlebrief.rehearsal.bodies import BodySpec

__all__ = ["checking_cast", "training_cast"]

_CHECKING_SEED, _TRAINING_SEED = 918_273, 20_417


def training_cast(count: int) -> list[tuple[BodySpec, int]]:
    """``count`` bodies to train on: spec and seed, as ``bodies.make_body`` takes them."""
    return _cast(count, _TRAINING_SEED)


def checking_cast(count: int) -> list[tuple[BodySpec, int]]:
    """``count`` bodies that no training picture shows."""
    return _cast(count, _CHECKING_SEED)


def _cast(count: int, seed: int) -> list[tuple[BodySpec, int]]:
    rng = np.random.default_rng(seed)
    cast = []
    for _ in range(count):
        sex = str(rng.choice(["female", "male"]))
        age = float(np.clip(rng.normal(42, 18), 10, 82))
        grown = np.interp(age, [10, 17, 82], [0.83, 1.0, 0.97])
        height = rng.normal(1.65 if sex == "female" else 1.78, 0.075) * grown
        spec = BodySpec(
            age_years=age,
            sex=sex,
            height_m=float(np.clip(height, 1.25, 2.05)),
            build=float(rng.beta(1.6, 2.0)),
        )
        cast.append((spec, int(rng.integers(1 << 30))))
    return cast
