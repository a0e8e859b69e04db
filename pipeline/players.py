"""Players: which people of a recording are one player, and what the player is called."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import ascii_uppercase
from types import MappingProxyType

import numpy as np

from paddlebrief.records import Handedness
from paddlebrief.session import Player
from paddlebrief.sight.parts import Person
from paddlebrief.spells import MEET_S, PlayerSettings, Spell, grouped, meeting_s, spells_of

__all__ = ["NamedPlayers", "letters", "name_players"]

_OTHER_HAND_LAB = 25.0
"""Colour distance that a hand told from swings weighs as much as: it is sometimes wrong, which
clear clothes show."""
_FEWEST_SWINGS = 3
"""Swings from which a hand is told well enough to keep people in like clothes apart (a guess)."""
_AGAIN_LAB = 15.0
"""How much farther from the roster's colours a player may be who is seen again in other light, CIE
1976 colour distance (a guess)."""
_FARTHEST_LAB = 60.0
"""Mean colour distance of shirt and legs from the named ones beyond which nobody is matched: named
yellow is 37 from a yellow shirt in a hall, and named orange 53 from an orange shirt whose sides are
purple (a guess)."""
_SELDOM_LAB = 20.0
"""Colour distance that not swinging at all weighs as much as, beside players who do, and swinging
across the net from most where more people swing than are on the roster (a guess)."""
_STRANGER_SHARE = 0.5
"""Of the swings of the least busy player on the roster, below which a stranger is no player (a
guess)."""
_NEVER = 1e6
_LIGHTS = 2.0 ** np.linspace(-4.0, 0.5, 19)
"""Shares of the light under which named colours look as named: an evening's court has an eighth."""
_LIGHT_LAB = 3.0
"""Colour distance that each halving of the light weighs as much as, for each player: only where
named colours cannot be meant otherwise is it dark (a guess)."""


@dataclass(frozen=True, kw_only=True)
class NamedPlayers:
    """Who is who.

    Attributes
    ----------
    spells, called
        All spells, and the name of each one's player.
    names
        Name by person; of the longest spell where a person is several players in turn.
    hands
        Hitting hand that the roster knows, by person who is one player throughout.
    strangers
        Names of those who are not on the roster though all of it was matched, and who swing far
        less than anybody on it or from across the net: a coach who feeds, somebody who picks up
        balls.
    notes
        What could not be settled.
    """

    spells: tuple[Spell, ...]
    called: tuple[str, ...]
    names: Mapping[int, str]
    hands: Mapping[int, Handedness]
    strangers: frozenset[str]
    notes: tuple[str, ...]

    def name(self, person: int, time_s: float) -> str:
        """Player's name for a person at a presentation time, by the spell nearest to it.

        Raises
        ------
        KeyError
            When the person was not named.
        """
        off = [
            (max(s.start_s - time_s, time_s - s.end_s, 0.0), name)
            for s, name in zip(self.spells, self.called, strict=True)
            if s.person == person
        ]
        if not off:
            raise KeyError(person)
        return min(off, key=lambda o: o[0])[1]


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
    "teal": (46, -28, -8),
    "turquoise": (76, -38, -4),
    "cyan": (82, -40, -14),
    "maroon": (26, 42, 25),
    "burgundy": (25, 40, 15),
    "coral": (67, 45, 40),
    "salmon": (67, 45, 29),
    "gold": (82, 2, 72),
    "lime": (82, -60, 70),
    "olive": (51, -12, 48),
    "khaki": (75, -2, 35),
    "tan": (75, 5, 24),
    "cream": (94, 0, 12),
    "silver": (77, 0, 0),
    "magenta": (55, 80, -40),
    "violet": (62, 48, -36),
    "dark green": (33, -35, 30),
    "light green": (82, -42, 36),
    "dark blue": (18, 22, -45),
    "dark red": (28, 48, 35),
    "dark grey": (35, 0, 0),
    "dark gray": (35, 0, 0),
    "light grey": (82, 0, 0),
    "light gray": (82, 0, 0),
}
"""CIE L*a*b* of colour words: near the like-named sRGB colours of CSS Color 4, less saturated where
cloth is (a guess)."""


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
    *,
    looks: Mapping[int, np.ndarray] = MappingProxyType({}),
    swings: Mapping[int, Sequence[float]] = MappingProxyType({}),
    halves: Mapping[int, int] = MappingProxyType({}),
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
    looks
        By person, (n, 7) each: presentation time and CIE L*a*b* of shirt and legs then. Without
        them each person is taken to be one player.
    swings
        Presentation times of each person's swings: who hardly swings is less likely to be on the
        roster. Without them all are alike.
    halves
        Half of the court from which a person swings, −1 the camera's and 1 the other; may lack
        people.

    Returns
    -------
    NamedPlayers
        A person whose clothes change for good is two people who swapped numbers, and is cut into
        spells there. Spells that are not seen together and whose clothes agree share a name.
        Names come from the roster where one player is left for one name, or where clothes and
        hands tell them apart; others are A, B, … in order of appearance. Empty for no people.
    """
    by_person = {p.person: spells_of(p, looks.get(p.person), settings) for p in people}
    # A hand told from the swings of two players in turn is nobody's, one from few swings a guess.
    told = {
        p: hands[p]
        if len(s) == 1 and (not swings or len(swings.get(p, ())) >= _FEWEST_SWINGS)
        else Handedness.UNKNOWN
        for p, s in by_person.items()
    }
    spells = [s for own in by_person.values() for s in own]
    groups = grouped(spells, told, settings, looks=looks)
    if roster and len(roster) == len(groups) == 1:
        chosen = {0: roster[0]}
    else:
        price = _seldom(groups, swings) + _beyond_the_net(groups, roster, swings, halves)
        chosen = _matched(groups, told, roster, settings, price)
    strangers = _strangers(groups, chosen, roster, swings, halves)
    idle = _counts(groups, swings) == 0 if swings else np.zeros(len(groups), bool)
    called: dict[Spell, str] = {}
    known: dict[str, Handedness] = {}
    notes = [
        f"The colour {colour!r} of {player.name}'s clothes is not a known word; use one such "
        "as red, teal or light blue in session.yaml."
        for player in roster
        for colour in player.clothes[:2]
        if colour.casefold() not in COLOURS_LAB
    ]
    for number, group in enumerate(groups):
        player = chosen.get(number)
        name = player.name if player else letters(number)
        called.update(dict.fromkeys(group, name))
        if player and player.handedness is not Handedness.UNKNOWN:
            known[name] = player.handedness
        if player and _other_hand(group, player, told):
            notes.append(
                f"{player.name} was matched by clothes, but the swings look like those of the "
                "other hand; check handedness and clothes in session.yaml."
            )
        if idle[number]:
            continue
        if number in strangers:
            notes.append(
                f"Player {letters(number)} is not on the roster and hardly swings, or swings from "
                "across the net: a coach, say. These strokes are left out; add the player to "
                "session.yaml if they should count."
            )
        elif roster and player is None:
            notes.append(
                f"Player {letters(number)} could not be matched to the roster by clothes and hand; "
                "name a distinct clothes colour for each player in session.yaml."
            )
    sure = {p: {called[s] for s in own} for p, own in by_person.items()}
    return NamedPlayers(
        spells=tuple(called),
        called=tuple(called.values()),
        names={
            p: called[max(own, key=lambda s: s.end_s - s.start_s)] for p, own in by_person.items()
        },
        hands={p: known[n] for p, (n, *more) in sure.items() if n in known and not more},
        strangers=frozenset(letters(number) for number in strangers),
        notes=tuple(notes),
    )


def _strangers(
    groups: Sequence[list[Spell]],
    chosen: Mapping[int, Player],
    roster: Sequence[Player],
    swings: Mapping[int, Sequence[float]],
    halves: Mapping[int, int],
) -> set[int]:
    """Groups of people who are not on a roster all of which was matched, and who seldom swing or
    stand across the net from everybody on it."""
    if not roster or len({p.name for p in chosen.values()}) < len(roster):
        return set()
    counts = _counts(groups, swings)
    fewest = min(
        sum(counts[k] for k in chosen if chosen[k].name == player.name) for player in roster
    )
    sides = _sides(groups, halves)
    own = set().union(*(sides[k] for k in chosen))
    return {
        k
        for k in range(len(groups))
        if k not in chosen and (counts[k] <= _STRANGER_SHARE * fewest or _across(sides[k], own))
    }


def _sides(groups: Sequence[list[Spell]], halves: Mapping[int, int]) -> list[set[int]]:
    """Halves of the court from which each group swings, as far as known."""
    return [{halves[s.person] for s in group if s.person in halves} for group in groups]


def _beyond_the_net(
    groups: Sequence[list[Spell]],
    roster: Sequence[Player],
    swings: Mapping[int, Sequence[float]],
    halves: Mapping[int, int],
) -> np.ndarray:
    """(g,) price on groups across the net from most swings: the likeliest to be no player where
    there are more of them than on the roster."""
    sides, counts = _sides(groups, halves), _counts(groups, swings)
    balance = sum(n * sum(side) for side, n in zip(sides, counts, strict=True))
    if len(groups) <= len(roster) or balance == 0:
        return np.zeros(len(groups))
    most = {int(np.sign(balance))}
    return np.array([_SELDOM_LAB * _across(side, most) for side in sides])


def _across(theirs: set[int], own: set[int]) -> bool:
    """Whether two lots of people keep to one half of the court each, and not to the same."""
    return len(theirs) == len(own) == 1 and theirs != own


def _matched(
    groups: list[list[Spell]],
    hands: Mapping[int, Handedness],
    roster: Sequence[Player],
    settings: PlayerSettings,
    price: np.ndarray,
) -> dict[int, Player]:
    """Roster players by group, where every doubt is ruled out; (g,) ``price`` on each group.

    A match stands when the best way to match everybody without it fits worse by the margin: who
    is left over may be matched though the clothes named are not quite those worn.
    """
    if not groups or not roster:
        return {}
    misfit, cost, best = _in_likeliest_light(groups, hands, roster, price)
    # The same player again, in other light or mixed with somebody for a while, is no rival.
    again = {
        row: column
        for row in range(len(groups))
        for other, column in best.items()
        if row not in best and _again(row, other, column, groups, cost)
    }
    chosen = {}
    for row, column in best.items():
        others = cost.copy()
        others[row, column] = np.inf
        others[[r for r, c in again.items() if c == column], column] = np.inf
        margin = _total(others, _assigned(others)) - _total(cost, best)
        hand = _OTHER_HAND_LAB if _other_hand(groups[row], roster[column], hands) else 0.0
        if misfit[row, column] - hand <= _FARTHEST_LAB and margin >= settings.clothes_margin:
            chosen[row] = roster[column]
    for row, column in again.items():
        rivals = np.delete(cost[row], column)
        clear = not len(rivals) or rivals.min() - cost[row, column] >= settings.clothes_margin
        if clear and roster[column] in chosen.values():
            chosen[row] = roster[column]
    return chosen


def _in_likeliest_light(
    groups: list[list[Spell]],
    hands: Mapping[int, Handedness],
    roster: Sequence[Player],
    price: np.ndarray,
) -> tuple[np.ndarray, np.ndarray, dict[int, int]]:
    """(g, p) misfits and costs of groups and players, and the best match of all, in the light in
    which the named colours fit best."""
    found = []
    for light in _LIGHTS:
        misfit = np.array([[_misfit(g, p, hands, light=light) for p in roster] for g in groups])
        cost = misfit + price[:, None]
        best = _assigned(cost)
        doubt = _LIGHT_LAB * abs(np.log2(light)) * len(best)
        found.append((_total(cost, best) + doubt, abs(np.log2(light)), misfit, cost, best))
    return min(found, key=lambda f: f[:2])[2:]


def _seldom(
    groups: Sequence[list[Spell]], swings: Mapping[int, Sequence[float]]
) -> np.ndarray:
    """(g,) price on groups that swing less often than the busiest, as a colour distance; who never
    swings is nobody on the roster, such as a tree that was followed before its player was."""
    counts = _counts(groups, swings)
    if not counts.any():
        return counts
    price = _SELDOM_LAB * (1 - counts / counts.max()) ** 2
    return np.where(counts > 0, price, _NEVER)


def _counts(
    groups: Sequence[list[Spell]], swings: Mapping[int, Sequence[float]]
) -> np.ndarray:
    """(g,) swings of each group, by the spell of their person that is nearest in time."""
    of_person: dict[int, list[Spell]] = {}
    for spell in (s for g in groups for s in g):
        of_person.setdefault(spell.person, []).append(spell)
    counts = Counter(
        min(of_person[p], key=lambda s: max(s.start_s - time_s, time_s - s.end_s))
        for p, times in swings.items()
        if p in of_person
        for time_s in times
    )
    return np.array([sum(counts[s] for s in g) for g in groups], float)


def _assigned(cost: np.ndarray) -> dict[int, int]:
    """Column by row, one to one, at the least cost altogether."""
    from scipy.optimize import linear_sum_assignment

    rows, columns = linear_sum_assignment(np.minimum(cost, _NEVER))
    return dict(zip(rows.tolist(), columns.tolist(), strict=True))


def _total(cost: np.ndarray, assigned: Mapping[int, int]) -> float:
    return float(sum(min(cost[r, c], _NEVER) for r, c in assigned.items()))


def _again(
    row: int, other: int, column: int, groups: Sequence[list[Spell]], cost: np.ndarray
) -> bool:
    """Whether a group may be the player that another group is: as like, and never seen together."""
    apart = cost[row, column] - cost[other, column]
    meet = max(meeting_s(a, b) for a in groups[row] for b in groups[other])
    return bool(np.isfinite(apart) and apart <= _AGAIN_LAB and meet <= MEET_S)


def _other_hand(group: list[Spell], player: Player, hands: Mapping[int, Handedness]) -> bool:
    """Whether all swings of a group look like those of the hand that is not the player's."""
    seen = {hands[p.person] for p in group}
    return Handedness.UNKNOWN not in {player.handedness, *seen} and player.handedness not in seen


def _misfit(
    group: list[Spell], player: Player, hands: Mapping[int, Handedness], *, light: float
) -> float:
    """Colour distance of shirt and legs, brought to full light, to the named colours, and a price
    on the other hand; infinite where none of the clothes that are named was seen."""
    named = [COLOURS_LAB.get(c.casefold()) for c in player.clothes[:2]]
    worn = ([p.shirt_lab for p in group], [p.legs_lab for p in group])
    off = []
    for looks, lab in zip(worn, named, strict=False):
        seen = np.array(looks, float)
        seen = seen[np.isfinite(seen).all(axis=1)]
        if lab is not None and len(seen):
            own = _in_full_light(np.median(seen, axis=0), light)
            off.append(float(np.linalg.norm(own - np.array(lab))))
    if not off:
        return np.inf
    return float(np.mean(off)) + (_OTHER_HAND_LAB if _other_hand(group, player, hands) else 0.0)


def _in_full_light(lab: np.ndarray, light: float) -> np.ndarray:
    """(3,) CIE L*a*b* of a colour seen by a share of the light, as it looks by all of it
    (CIE 15:2004, the cube root and the straight line near black)."""
    middle = (lab[0] + 16) / 116
    roots = np.array([middle + lab[1] / 500, middle, middle - lab[2] / 200])
    edge = 6 / 29
    shares = np.where(roots > edge, roots**3, 3 * edge**2 * (roots - 4 / 29)) / light
    x, y, z = np.where(shares > edge**3, np.cbrt(shares), shares / (3 * edge**2) + 4 / 29)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])
