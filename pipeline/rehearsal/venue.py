"""Where a rehearsal is played: what a scenario says of it, and its light."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, model_validator

__all__ = ["GROUND_COLOURS", "HALL_LIGHTS", "Light", "VenueSettings", "light_of"]

GROUND_COLOURS: dict[str, tuple[int, int, int]] = {
    "green": (62, 112, 78),
    "blue": (52, 94, 150),
    "grey": (122, 126, 128),
    "red": (150, 78, 66),
    "purple": (96, 84, 140),
    "sand": (178, 158, 126),
    "dark blue": (34, 54, 96),
    "light blue": (104, 150, 186),
    "wood": (184, 142, 94),
}
"""Words for colours of playing surfaces and their sRGB values."""

HALL_LIGHTS = ("hall", "dim hall")
"""Lights that belong indoors."""

GroundWord = Literal[
    "green", "blue", "grey", "red", "purple", "sand", "dark blue", "light blue", "wood"
]


class VenueSettings(BaseModel):
    """Court, light and surroundings; null leaves a choice to the seed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    indoor: bool | None = Field(None, description="hall or open air")
    light: Literal["sun", "overcast", "evening", "hall", "dim hall"] | None = Field(
        None, description="sun, overcast or evening outdoors; hall or dim hall indoors"
    )
    court: GroundWord | None = Field(None, description="colour inside the court's lines")
    kitchen: GroundWord | None = Field(None, description="colour of the non-volley zone")
    surround: GroundWord | None = Field(None, description="colour outside the lines")
    other_lines: bool | None = Field(None, description="lines of another game on the same ground")
    neighbours: int | None = Field(
        None, ge=0, le=2, description="courts beside this one, 0 to 2 (no unit)"
    )
    fence: bool | None = Field(None, description="a fence round an outdoor court")
    people: int | None = Field(
        None, ge=0, le=8, description="people standing or playing in the background"
    )

    @model_validator(mode="after")
    def _light_fits(self) -> "VenueSettings":
        if self.light and self.indoor is not None and (self.light in HALL_LIGHTS) != self.indoor:
            where = "a hall" if self.indoor else "the open air"
            raise ValueError(f"light: {self.light!r} is not a light of {where}")
        return self


@dataclass(frozen=True, kw_only=True)
class Light:
    """Light of a venue, linear light of an sRGB-white picture.

    Attributes
    ----------
    towards
        (3,) unit vector towards the main light.
    key, sky, ground
        (3,) irradiance of the main light, of the sky above and of the light from below.
    softness_m
        Blur of shadows at about a metre's distance.
    strength
        Share of the main light that a shadow takes, 0 to 1.
    contact
        Darkening of the ground round feet, 0 to 1.
    """

    towards: np.ndarray
    key: np.ndarray
    sky: np.ndarray
    ground: np.ndarray
    softness_m: float
    strength: float
    contact: float


_LIGHTS = {
    # name: elevation °, key, sky, ground, softness m, contact
    "sun": (48, (1.05, 0.99, 0.90), (0.26, 0.31, 0.40), (0.13, 0.12, 0.10), 0.012, 0.35),
    "overcast": (70, (0.30, 0.31, 0.33), (0.62, 0.65, 0.70), (0.22, 0.21, 0.20), 0.16, 0.55),
    "evening": (16, (0.95, 0.68, 0.42), (0.22, 0.25, 0.36), (0.10, 0.08, 0.07), 0.02, 0.4),
    "hall": (74, (0.52, 0.51, 0.48), (0.66, 0.66, 0.63), (0.38, 0.36, 0.31), 0.10, 0.5),
    "dim hall": (68, (0.36, 0.33, 0.28), (0.36, 0.34, 0.31), (0.20, 0.18, 0.15), 0.12, 0.5),
}


def light_of(name: str, seed: int) -> Light:
    """The light called ``name`` in ``VenueSettings.light``, its direction drawn from the seed."""
    rng = np.random.default_rng([seed, 19])
    elevation, key, sky, ground, softness, contact = _LIGHTS[name]
    height = np.radians(elevation + rng.uniform(-8, 8))
    heading = rng.uniform(0, 2 * np.pi)
    flat = np.cos(height)
    return Light(
        towards=np.array([flat * np.cos(heading), flat * np.sin(heading), np.sin(height)]),
        key=np.array(key),
        sky=np.array(sky),
        ground=np.array(ground),
        softness_m=softness,
        strength=0.95,
        contact=contact,
    )
