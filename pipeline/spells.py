"""Spells: stretches of a followed person in the same clothes, and which of them are one player."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.records import Handedness
from paddlebrief.sight.looks import looks_apart
from paddlebrief.sight.parts import Person

__all__ = ["MEET_S", "PlayerSettings", "Spell", "grouped", "meeting_s", "spells_of"]

_FEWEST_LOOKS, _TELLING_S = 5, 5.0
"""Looks, and seconds of them, that tell clothes: an arm or a shadow before them passes sooner."""
_BACK = 12
"""Such stretches that a spell's own colours are taken from, so that they follow the light."""
MEET_S = 3.0
"""Two are seen at once for longer than a second body of one player is followed by mistake, and than
a swap of numbers is uncertain by."""
_MOMENT_S = 0.5
_HOME_LOOKS = 60
"""Looks from which a player's clothes are known from every side; pieces with fewer may join."""
_NEAREST, _MOST_LOOKS = 3, 400
_SAME_LEGS_LAB = 7.0
"""How near the legs of one followed person must be before and after the shirt changed for good, so
that it is one shirt seen from another side (a guess; measured on patterned shirts: at most 4)."""
_ADOPT_LAB, _ADOPT_MARGIN_LAB = 20.0, 6.0
"""How near a piece's looks must be to some of a player's, and how much nearer than to the next
player's (guesses; measured in root mean squares of shirt and legs)."""


class PlayerSettings(BaseModel):
    """How people are put together and named."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    same_clothes: float = Field(
        14.0,
        gt=0,
        description="largest colour distance (CIE 1976) of shirt and legs of one player",
    )
    clothes_margin: float = Field(
        12.0,
        gt=0,
        description="how much nearer a roster colour must be than the next one to match",
    )


@dataclass(frozen=True, kw_only=True)
class Spell:
    """A stretch of one followed person with the same clothes on.

    Two people who cross can swap their numbers; their clothes do not swap.

    Attributes
    ----------
    person
        Number of the person within the recording.
    start_s, end_s
        Presentation times of its first and last look.
    shirt_lab, legs_lab
        (3,) median CIE L*a*b* colours; NaN where never seen.
    seen
        Numbers of the half seconds in which it was looked at; empty where that was not noted.
    """

    person: int
    start_s: float
    end_s: float
    shirt_lab: tuple[float, float, float]
    legs_lab: tuple[float, float, float]
    seen: frozenset[int] = frozenset()


def spells_of(person: Person, looks: np.ndarray | None, settings: PlayerSettings) -> list[Spell]:
    """A person's spells in order of time; one where there are too few looks to tell.

    Medians over five seconds and more are compared, so that an arm before the shirt for a moment
    counts for nothing. A spell ends where shirt or legs of the next looks are farther from its own
    of the last minute than ``settings.same_clothes``.
    """
    looks = np.empty((0, 7)) if looks is None else np.asarray(looks, float)
    looks = looks[np.isfinite(looks).all(axis=1)]
    wide = _FEWEST_LOOKS
    if len(looks) > wide:
        wide = max(wide, round(_TELLING_S / float(np.median(np.diff(looks[:, 0])))))
    if len(looks) < 2 * wide:
        whole = np.array([*person.shirt_lab, *person.legs_lab])
        return [_spell(person, person.start_s, person.end_s, whole, looks[:, 0])]
    time_s, colours = looks[:, 0], looks[:, 1:]
    starts = [0]
    k = wide
    while k + wide <= len(colours):
        if _change(colours, starts[-1], k, wide) > settings.same_clothes:
            # Medians turn half a stretch before the swap; means differ most at the swap itself.
            near = range(k, min(k + wide, len(colours) - wide) + 1)
            start = starts[-1]
            starts.append(max(near, key=lambda j: _step(colours, start, j, wide)))
            k = starts[-1] + wide
        else:
            k += max(1, wide // _FEWEST_LOOKS)
    ends = [*starts[1:], len(looks)]
    return [
        _spell(person, time_s[a], time_s[b - 1], np.median(colours[a:b], axis=0), time_s[a:b])
        for a, b in zip(starts, ends, strict=True)
    ]


def _change(colours: np.ndarray, start: int, k: int, wide: int) -> float:
    """How far the next looks from ``k`` on are from those before, since the spell's start."""
    own, after = colours[max(start, k - _BACK * wide) : k], colours[k : k + wide]
    return _colours_apart(np.median(own, axis=0), np.median(after, axis=0))


def _step(colours: np.ndarray, start: int, k: int, wide: int) -> float:
    """How far the mean looks just before ``k``, since the spell's start, are from those after."""
    own, after = colours[max(start, k - wide) : k], colours[k : k + wide]
    return _colours_apart(own.mean(axis=0), after.mean(axis=0))


def _spell(
    person: Person, start_s: float, end_s: float, look: np.ndarray, time_s: np.ndarray
) -> Spell:
    return Spell(
        person=person.person,
        start_s=float(start_s),
        end_s=float(end_s),
        shirt_lab=tuple(map(float, look[:3])),
        legs_lab=tuple(map(float, look[3:])),
        seen=frozenset((time_s // _MOMENT_S).astype(int).tolist()),
    )


def _colours_apart(a: np.ndarray, b: np.ndarray) -> float:
    """Larger colour distance of shirts and legs; infinite where a colour is unknown."""
    distance = max(np.linalg.norm(a[:3] - b[:3]), np.linalg.norm(a[3:] - b[3:]))
    return float(distance) if np.isfinite(distance) else np.inf


def grouped(
    spells: Sequence[Spell],
    hands: Mapping[int, Handedness],
    settings: PlayerSettings,
    *,
    looks: Mapping[int, np.ndarray],
) -> list[list[Spell]]:
    """Spells of one player each, in order of appearance.

    Parameters
    ----------
    spells
        All of the recording.
    hands
        Hitting hand by person, as told from swings.
    settings
        Limits.
    looks
        By person, (n, 7) each: presentation time and CIE L*a*b* of shirt and legs then; may lack
        people.

    Returns
    -------
    list of list of Spell
        Spells that are not seen together and whose clothes agree on the whole are one player's,
        the longest first; so are those of one followed person whose shirt alone changes, unless
        both are ever seen at once, as two who swapped numbers are. Then pieces that are too short
        to show clothes from every side join the player some of whose looks they are like.
    """
    groups = _with_two_sides(_together(spells, hands, settings), hands)
    worn = [np.concatenate([_looks_in(s, looks.get(s.person)) for s in g]) for g in groups]
    homes = [k for k, own in enumerate(worn) if len(own) >= _HOME_LOOKS]
    for k in (k for k in range(len(groups)) if k not in homes and len(worn[k])):
        apart = np.array([
            _piece_apart(worn[k], worn[h])
            if all(meeting_s(a, b) <= MEET_S for a in groups[h] for b in groups[k])
            else np.inf
            for h in homes
        ])  # fmt: skip
        order = np.argsort(apart)
        if not len(order) or not apart[order[0]] <= _ADOPT_LAB:
            continue
        if len(order) == 1 or apart[order[1]] - apart[order[0]] >= _ADOPT_MARGIN_LAB:
            groups[homes[order[0]]] += groups[k]
            groups[k] = []
    return sorted((g for g in groups if g), key=lambda g: min((s.start_s, s.person) for s in g))


def meeting_s(a: Spell, b: Spell) -> float:
    """For how long two spells are seen at once, s; negative where time lies between them.

    Somebody who was lost for a while and found again was not seen in between.
    """
    overlap_s = min(a.end_s, b.end_s) - max(a.start_s, b.start_s)
    if overlap_s > 0 and a.seen and b.seen:
        return _MOMENT_S * len(a.seen & b.seen)
    return overlap_s


def _looks_in(spell: Spell, looks: np.ndarray | None) -> np.ndarray:
    """(n, 6) looks of a spell."""
    if looks is None:
        return np.empty((0, 6))
    looks = np.asarray(looks, float)
    return looks[(looks[:, 0] >= spell.start_s) & (looks[:, 0] <= spell.end_s), 1:]


def _piece_apart(piece: np.ndarray, home: np.ndarray) -> float:
    """How far the looks of a piece are from the nearest ones of a player, on the median.

    Clothes of two colours look now like one, now like the other, by the side that shows.
    """
    home = home[:: max(1, len(home) // _MOST_LOOKS)]
    apart = looks_apart(piece[:, None], home[None])
    apart = np.sort(np.where(np.isfinite(apart), apart, np.inf), axis=1)
    near = apart[:, min(_NEAREST, apart.shape[1]) - 1]
    return float(np.median(near))


def _together(
    spells: Sequence[Spell], hands: Mapping[int, Handedness], settings: PlayerSettings
) -> list[list[Spell]]:
    """Spells whose clothes agree on the whole; the longest are put together first."""
    groups: list[list[Spell]] = []
    for spell in sorted(spells, key=lambda s: s.start_s - s.end_s):
        fits = [
            (max(_apart(spell, other) for other in group), group)
            for group in groups
            if all(_may_be_one(spell, other, hands, settings) for other in group)
        ]
        if fits:
            min(fits, key=lambda f: f[0])[1].append(spell)
        else:
            groups.append([spell])
    return groups


def _with_two_sides(
    groups: list[list[Spell]], hands: Mapping[int, Handedness]
) -> list[list[Spell]]:
    """Groups, those put together that are one person in a shirt of two colours."""
    joined: list[list[Spell]] = []
    for group in groups:
        for other in joined:
            pairs = [(a, b) for a in group for b in other]
            if all(_never_both(a, b, hands) for a, b in pairs) and any(
                _only_the_shirt_changed(a, b) for a, b in pairs
            ):
                other += group
                break
        else:
            joined.append(list(group))
    return joined


def _only_the_shirt_changed(a: Spell, b: Spell) -> bool:
    """Whether two spells are one followed person, the next moment, with the same legs."""
    legs_apart = np.linalg.norm(np.subtract(a.legs_lab, b.legs_lab))
    at_once = a.person == b.person and meeting_s(a, b) >= -MEET_S
    return bool(at_once and legs_apart <= _SAME_LEGS_LAB)


def _may_be_one(
    a: Spell, b: Spell, hands: Mapping[int, Handedness], settings: PlayerSettings
) -> bool:
    return _never_both(a, b, hands) and _apart(a, b) <= settings.same_clothes


def _never_both(a: Spell, b: Spell, hands: Mapping[int, Handedness]) -> bool:
    """Whether two spells are not seen at once, and their hands do not differ."""
    both_hands = {hands[a.person], hands[b.person]} - {Handedness.UNKNOWN}
    return meeting_s(a, b) <= MEET_S and len(both_hands) < 2


def _apart(a: Spell, b: Spell) -> float:
    return _colours_apart(
        np.array([*a.shirt_lab, *a.legs_lab]), np.array([*b.shirt_lab, *b.legs_lab])
    )
