"""Players: which people of a recording are one player, and what the player is called."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import ascii_uppercase

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from paddlebrief.records import Handedness
from paddlebrief.session import Player
from paddlebrief.sight.parts import Person

__all__ = ["NamedPlayers", "PlayerSettings", "letters", "name_players"]


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
class NamedPlayers:
    """Name and known hand by person; ``notes`` says what could not be settled."""

    names: Mapping[int, str]
    hands: Mapping[int, Handedness]
    notes: tuple[str, ...]


COLOURS_LAB: Mapping[str, tuple[float, float, float]] = {
    "black": (10, 0, 0),
    "grey": (54, 0, 0),
    "gray": (54, 0, 0),
    "white": (95, 0, 0),
    "red": (45, 65, 45),
    "orange": (67, 43, 74),
    "yellow": (90, -10, 80),
    "green": (46, -52, 50),
    "blue": (38, 15, -60),
    "navy": (13, 20, -35),
    "light blue": (79, -11, -22),
    "purple": (30, 50, -45),
    "pink": (78, 30, 5),
    "brown": (38, 18, 30),
    "beige": (91, 0, 12),
}
"""CIE L*a*b* of colour words: the like-named sRGB colours of CSS Color 4, rounded (from memory)."""


def letters(number: int) -> str:
    """ "A" … "Z", "AA", … for 0, 1, …"""
    name = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        name = ascii_uppercase[rest] + name
    return name


def name_players(
    people: Sequence[Person],
    hands: Mapping[int, Handedness],
    roster: Sequence[Player],
    settings: PlayerSettings,
) -> NamedPlayers:
    """Put people who are one player together and name them.

    Parameters
    ----------
    people
        The people who swing, in order of appearance.
    hands
        Hitting hand told from each one's swings.
    roster
        Players said to be in the recording; may be empty.
    settings
        Limits.

    Returns
    -------
    NamedPlayers
        People never seen together whose clothes agree share a name. Names come from the roster
        where one player is left for one name, or where clothes and hands tell them apart;
        others are A, B, … in order of appearance. Empty for no people.
    """
    groups = _together(people, hands, settings)
    if roster and len(roster) == len(groups) == 1:
        chosen = {0: roster[0]}
    else:
        chosen = _matched(groups, hands, roster, settings)
    names, known, notes = {}, {}, []
    for number, group in enumerate(groups):
        player = chosen.get(number)
        for person in group:
            names[person.person] = player.name if player else letters(number)
            if player and player.handedness is not Handedness.UNKNOWN:
                known[person.person] = player.handedness
        if roster and player is None:
            notes.append(
                f"Player {letters(number)} could not be matched to the roster by clothes and hand; "
                "name a distinct clothes colour for each player in session.yaml."
            )
    return NamedPlayers(names=names, hands=known, notes=tuple(notes))


def _together(
    people: Sequence[Person], hands: Mapping[int, Handedness], settings: PlayerSettings
) -> list[list[Person]]:
    groups: list[list[Person]] = []
    for person in sorted(people, key=lambda p: p.start_s):
        fits = [
            (max(_apart(person, other) for other in group), group)
            for group in groups
            if all(_may_be_one(person, other, hands, settings) for other in group)
        ]
        if fits:
            min(fits, key=lambda f: f[0])[1].append(person)
        else:
            groups.append([person])
    return groups


def _may_be_one(
    a: Person, b: Person, hands: Mapping[int, Handedness], settings: PlayerSettings
) -> bool:
    meet = a.start_s <= b.end_s and b.start_s <= a.end_s
    return not meet and hands[a.person] == hands[b.person] and _apart(a, b) <= settings.same_clothes


def _apart(a: Person, b: Person) -> float:
    """Larger colour distance of shirts and legs; infinite where a colour is unknown."""
    distance = max(
        float(np.linalg.norm(np.subtract(a.shirt_lab, b.shirt_lab))),
        float(np.linalg.norm(np.subtract(a.legs_lab, b.legs_lab))),
    )
    return distance if np.isfinite(distance) else np.inf


def _matched(
    groups: list[list[Person]],
    hands: Mapping[int, Handedness],
    roster: Sequence[Player],
    settings: PlayerSettings,
) -> dict[int, Player]:
    """Roster players by group, where every doubt is ruled out."""
    from scipy.optimize import linear_sum_assignment

    if not groups or not roster:
        return {}
    cost = np.array([[_misfit(g, p, hands) for p in roster] for g in groups])
    rows, columns = linear_sum_assignment(np.minimum(cost, 1e6))
    chosen = {}
    for row, column in zip(rows, columns, strict=True):
        rivals = np.concatenate([np.delete(cost[row], column), np.delete(cost[:, column], row)])
        clear = not len(rivals) or rivals.min() - cost[row, column] >= settings.clothes_margin
        if np.isfinite(cost[row, column]) and clear:
            chosen[int(row)] = roster[column]
    return chosen


def _misfit(group: list[Person], player: Player, hands: Mapping[int, Handedness]) -> float:
    """Colour distance of the nearest named colour to shirt or legs; infinite when the hand is
    wrong or nothing is named."""
    seen = {hands[p.person] for p in group}
    if player.handedness is not Handedness.UNKNOWN and player.handedness not in seen:
        return np.inf
    named = [COLOURS_LAB[c.casefold()] for c in player.clothes if c.casefold() in COLOURS_LAB]
    if not named:
        return np.inf
    shirt = np.nanmedian([p.shirt_lab for p in group], axis=0)
    legs = np.nanmedian([p.legs_lab for p in group], axis=0)
    first = float(np.linalg.norm(np.subtract(shirt, named[0])))
    if len(named) < 2:
        return first
    return (first + float(np.linalg.norm(np.subtract(legs, named[1])))) / 2
