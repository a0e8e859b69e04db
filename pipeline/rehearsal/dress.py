"""What a player wears and looks like, and the dressed body that the renderer draws.

Colours in settings are words; inside, colours are linear light, 0 to 1.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.rehearsal.bodies import Body
from paddlebrief.rehearsal.clothes import bare_skin, legwear, shirt, shoes, skirt, socks
from paddlebrief.rehearsal.heads import (
    HairStyle,
    Headwear,
    glasses,
    hair,
    headwear,
    painted_eyes,
    painted_skin,
    under_hair,
)
from paddlebrief.rehearsal.meshes import join

__all__ = [
    "COLOURS",
    "ClothesSettings",
    "Dressed",
    "Look",
    "Material",
    "dress",
    "linear",
    "make_look",
]

COLOURS: dict[str, tuple[int, int, int]] = {
    "white": (236, 236, 232),
    "black": (26, 26, 28),
    "grey": (128, 130, 134),
    "navy": (28, 38, 84),
    "blue": (36, 92, 196),
    "light blue": (132, 184, 226),
    "red": (196, 36, 40),
    "maroon": (108, 26, 42),
    "orange": (232, 120, 36),
    "yellow": (236, 208, 64),
    "green": (40, 128, 68),
    "lime": (158, 208, 62),
    "teal": (24, 132, 138),
    "purple": (104, 60, 152),
    "pink": (228, 124, 160),
    "beige": (208, 190, 158),
}
"""Words for colours of clothes and their sRGB values."""

ColourWord = Literal[
    "white", "black", "grey", "navy", "blue", "light blue", "red", "maroon", "orange", "yellow",
    "green", "lime", "teal", "purple", "pink", "beige",
]  # fmt: skip
Pattern = Literal["plain", "hoops", "stripes", "checks", "panel", "sash", "dots", "fade"]
_PATTERNS: tuple[str, ...] = (
    "plain", "hoops", "stripes", "checks", "panel", "sash", "dots", "fade",
)  # fmt: skip


class ClothesSettings(BaseModel):
    """What a scenario may fix of a player's looks; null leaves it to the seed."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    shirt: ColourWord | None = Field(None, description="main colour of the shirt")
    shirt_pattern: Pattern | None = Field(None, description="pattern of the shirt")
    shirt_kind: Literal["tee", "sleeveless", "long"] | None = Field(
        None, description="sleeves: short (tee), none or long"
    )
    bottom: ColourWord | None = Field(None, description="colour of shorts, skirt or trousers")
    bottom_kind: Literal["shorts", "skirt", "trousers"] | None = Field(
        None, description="what is worn below the shirt"
    )
    shoes: ColourWord | None = Field(None, description="colour of the shoes")
    headwear: Headwear | None = Field(None, description="none, cap, visor or headband")
    hair: HairStyle | None = Field(None, description="style of the hair")
    glasses: bool | None = Field(None, description="dark glasses")


@dataclass(frozen=True, kw_only=True)
class Look:
    """Everything about a player's looks that is not the body; colours are words or sRGB."""

    shirt: str
    shirt_second: str
    shirt_pattern: str
    sleeves: str
    shirt_kind: str
    slack_m: float
    bottom: str
    bottom_kind: str
    bottom_length: float
    shoes: str
    socks: str
    sock_height: float
    headwear: str
    headwear_colour: str
    glasses: bool
    hair: str
    hair_colour: tuple[int, int, int]
    hair_thickness: float
    skin: tuple[int, int, int]
    beard: float
    seed: int

    @property
    def colour_words(self) -> list[str]:
        """Words by which a coach would know the player: shirt first, then what is below it."""
        return list(dict.fromkeys([self.shirt, self.bottom]))


@dataclass(frozen=True, kw_only=True)
class Material:
    """How a surface looks.

    Attributes
    ----------
    colour, second
        (3,) linear light.
    pattern
        Index of the pattern that mixes them, 0 plain.
    scale_m
        Size of the pattern.
    wrinkle
        Depth of cloth wrinkles, 0 to 1.
    shine
        Strength of the highlight, 0 to 1.
    """

    colour: np.ndarray
    second: np.ndarray
    pattern: int = 0
    scale_m: float = 0.05
    wrinkle: float = 0.0
    shine: float = 0.05

    def row(self) -> np.ndarray:
        """(12,) numbers in the order of the shader's material table."""
        extra = [self.pattern, self.scale_m, self.wrinkle, self.shine]
        return np.array([*self.colour, 0, *self.second, 0, *extra], dtype=np.float32)


@dataclass(frozen=True, eq=False, kw_only=True)
class Dressed:
    """A body with everything on, ready to be drawn.

    Attributes
    ----------
    body, look
        What it was made from.
    arrays, triangles
        As ``meshes.join`` gives them.
    materials
        (M, 12) float32, the shader's material table.
    """

    body: Body
    look: Look
    arrays: dict[str, np.ndarray]
    triangles: np.ndarray
    materials: np.ndarray


def linear(srgb: tuple[int, int, int] | str) -> np.ndarray:
    """(3,) linear light of an sRGB colour (0 to 255) or a colour word (IEC 61966-2-1)."""
    value = np.array(COLOURS[srgb] if isinstance(srgb, str) else srgb) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


_SKIN_TONES = np.array(
    [
        (238, 206, 184), (228, 190, 164), (214, 170, 140), (194, 148, 116),
        (164, 118, 88), (130, 88, 64), (98, 66, 48), (74, 50, 38),
    ]
)  # fmt: skip
_HAIR_TONES = (
    (28, 22, 20),
    (52, 36, 26),
    (88, 60, 40),
    (140, 102, 62),
    (186, 152, 100),
    (122, 62, 36),
)
_GREY_TONES = ((150, 148, 146), (206, 204, 200))


def make_look(body: Body, clothes: ClothesSettings | None = None) -> Look:
    """Looks drawn from the appearance seed of the body's spec; ``clothes`` fixes parts of them."""
    fixed = clothes or ClothesSettings()
    spec = body.spec
    rng = np.random.default_rng([spec.appearance, 5])
    female = spec.sex == "female"
    words = list(COLOURS)

    def word(*avoid: str) -> str:
        return str(rng.choice([w for w in words if w not in avoid]))

    shirt_word = fixed.shirt or word()
    second = word(shirt_word)
    bottom_kinds = ["shorts", "skirt", "trousers"] if female else ["shorts", "trousers"]
    bottom_odds = [0.45, 0.4, 0.15] if female else [0.88, 0.12]
    bottom_kind = fixed.bottom_kind or str(rng.choice(bottom_kinds, p=bottom_odds))
    dark = [*(["black", "navy", "grey"] * 3), "white", "beige", word()]
    kinds, odds = ["tee", "sleeveless", "long"], [0.6, 0.3, 0.1] if female else [0.82, 0.1, 0.08]
    return Look(
        shirt=shirt_word,
        shirt_second=second,
        shirt_pattern=fixed.shirt_pattern
        or str(rng.choice(_PATTERNS, p=[0.44, 0.1, 0.06, 0.06, 0.12, 0.08, 0.06, 0.08])),
        sleeves=shirt_word if rng.uniform() < 0.7 else second,
        shirt_kind=fixed.shirt_kind or str(rng.choice(kinds, p=odds)),
        slack_m=float(rng.uniform(0.003, 0.012) if female else rng.uniform(0.008, 0.024)),
        bottom=fixed.bottom or str(rng.choice([w for w in dark if w != shirt_word])),
        bottom_kind=bottom_kind,
        bottom_length=float(rng.uniform(0, 1)),
        shoes=fixed.shoes or str(rng.choice(["white", "white", "grey", "black", word()])),
        socks=str(rng.choice(["white", "white", "white", "black", "grey"])),
        sock_height=float(rng.uniform(0.02, 0.4)),
        headwear=fixed.headwear
        or str(rng.choice(["none", "cap", "visor", "headband"], p=[0.5, 0.28, 0.14, 0.08])),
        headwear_colour=word(),
        glasses=bool(rng.uniform() < 0.22) if fixed.glasses is None else fixed.glasses,
        hair=fixed.hair or _hair_style(rng, female=female),
        hair_colour=_hair_colour(rng, spec.age_years),
        hair_thickness=float(rng.uniform()),
        skin=_skin_tone(rng),
        beard=0.0 if female or spec.age_years < 18 else float(max(0.0, rng.normal(0.0, 0.5))),
        seed=spec.appearance,
    )


def _hair_style(rng: np.random.Generator, *, female: bool) -> str:
    if female:
        styles, odds = ["ponytail", "bun", "bob", "long", "curly", "short"], [38, 14, 16, 14, 10, 8]
    else:
        styles, odds = (
            ["short", "tousled", "curly", "shaved", "bun", "long"],
            [48, 24, 12, 10, 3, 3],
        )
    return str(rng.choice(styles, p=np.array(odds) / 100))


def _hair_colour(rng: np.random.Generator, age_years: float) -> tuple[int, int, int]:
    grey = rng.uniform() < np.interp(age_years, [30, 45, 70], [0.0, 0.2, 0.9])
    tones = np.array(_GREY_TONES if grey else _HAIR_TONES)
    tone = tones[rng.integers(len(tones))] * rng.uniform(0.85, 1.12)
    return tuple(int(v) for v in np.clip(tone, 8, 235))


def _skin_tone(rng: np.random.Generator) -> tuple[int, int, int]:
    place = rng.uniform(0, len(_SKIN_TONES) - 1)
    tone = [np.interp(place, np.arange(len(_SKIN_TONES)), _SKIN_TONES[:, k]) for k in range(3)]
    return tuple(int(v) for v in np.array(tone) + rng.normal(0, 3, 3))


_SLOTS = (
    "skin",
    "eyes",
    "hair",
    "shirt",
    "sleeves",
    "bottom",
    "socks",
    "shoes",
    "sole",
    "wear",
    "glass",
)


def _materials(look: Look) -> np.ndarray:
    rng = np.random.default_rng([look.seed, 6])

    def plain(colour, **more) -> Material:
        return Material(colour=linear(colour), second=linear(colour), **more)

    table = {
        "skin": plain(look.skin, shine=0.12),
        "eyes": plain((226, 224, 220), shine=0.5),
        "hair": plain(look.hair_colour, pattern=8, wrinkle=0.5, shine=0.05),
        "shirt": Material(
            colour=linear(look.shirt),
            second=linear(look.shirt_second),
            pattern=_PATTERNS.index(look.shirt_pattern),
            scale_m=float(rng.uniform(0.03, 0.11)),
            wrinkle=float(np.interp(look.slack_m, [0.003, 0.024], [0.35, 1.0])),
            shine=0.04,
        ),
        "sleeves": plain(look.sleeves, wrinkle=0.7, shine=0.04),
        "bottom": plain(look.bottom, wrinkle=0.7, shine=0.05),
        "socks": plain(look.socks, wrinkle=0.3, shine=0.02),
        "shoes": plain(look.shoes, shine=0.2),
        "sole": plain(
            "white" if look.shoes != "white" or rng.uniform() < 0.5 else "grey", shine=0.1
        ),
        "wear": plain(look.headwear_colour, wrinkle=0.2, shine=0.05),
        "glass": plain((14, 14, 16), shine=0.9),
    }
    return np.stack([table[slot].row() for slot in _SLOTS])


def dress(body: Body, look: Look, *, fine: bool = False) -> Dressed:
    """Put everything on; pure geometry, a tenth of a second.

    ``fine`` takes the full skin, for pictures in which a body is higher than 500 pixels.
    """
    slot = {name: k for k, name in enumerate(_SLOTS)}
    pelvis, height = body.rest_joints_m[0, 2], body.spec.height_m
    sleeve = {"tee": 0.55, "sleeveless": 0.05, "long": 1.93}[look.shirt_kind]
    leg = {"shorts": 0.5 + 0.4 * look.bottom_length, "skirt": 0.33, "trousers": 1.92}
    leg_end = leg[look.bottom_kind]
    hem = pelvis - 0.03 * height * (0.3 + 60 * look.slack_m)
    pieces = shirt(
        body,
        sleeve=sleeve,
        slack_m=look.slack_m,
        hem_m=hem,
        material=slot["shirt"],
        sleeve_material=slot["sleeves"],
    )
    slack = {"shorts": 0.012 + look.slack_m, "skirt": 0.002, "trousers": 0.004 + look.slack_m / 2}
    pieces += legwear(
        body,
        leg=leg_end,
        slack_m=slack[look.bottom_kind],
        waist_m=hem + 0.035,
        material=slot["bottom"],
    )
    if look.bottom_kind == "skirt":
        pieces += skirt(
            body,
            hem_m=pelvis - (0.15 + 0.07 * look.bottom_length) * height,
            flare=0.10 + 0.10 * look.hair_thickness,
            waist_m=pelvis + 0.04 * height,
            pleats=(0, 14)[look.seed % 2],
            material=slot["bottom"],
        )
    pieces += socks(body, height=look.sock_height, material=slot["socks"])
    pieces += shoes(body, upper_material=slot["shoes"], sole_material=slot["sole"])
    pieces += _head_pieces(body, look, slot)
    mesh = body.skin if fine else body.thin_skin
    skin = bare_skin(mesh, body, sleeve=sleeve, leg=leg_end, material=slot["skin"])
    brow = linear(look.hair_colour) / np.maximum(linear(look.skin), 0.02)
    skin = painted_skin(
        skin.only(~under_hair(skin, body)),
        body,
        brow=np.clip(brow, 0.05, 1),
        beard=min(look.beard, 1),
        lips=float(body.spec.sex == "female"),
    )
    pieces = [p for p in [*pieces, skin] if len(p.triangles)]
    arrays, triangles = join(pieces)
    return Dressed(
        body=body, look=look, arrays=arrays, triangles=triangles, materials=_materials(look)
    )


def _head_pieces(body: Body, look: Look, slot: dict[str, int]) -> list:
    pieces = hair(
        body,
        style=look.hair,
        thickness=look.hair_thickness,
        wear=look.headwear,
        seed=look.seed,
        material=slot["hair"],
    )
    pieces += headwear(body, kind=look.headwear, material=slot["wear"])
    if look.glasses:
        pieces += glasses(body, material=slot["glass"])
    iris = np.array([0.10, 0.05, 0.03]) if look.seed % 3 else np.array([0.12, 0.20, 0.28])
    return [*pieces, painted_eyes(body, iris=iris, material=slot["eyes"])]
