"""Who does what when: the timetable of a rehearsal, before anybody moves."""

from dataclasses import dataclass

import numpy as np

from paddlebrief.errors import RehearsalError
from paddlebrief.rehearsal.court_dimensions import COURT_LENGTH_M, COURT_WIDTH_M
from paddlebrief.rehearsal.feeds import FeedStyle
from paddlebrief.rehearsal.footwork import steps_needed_s
from paddlebrief.rehearsal.scenario import STROKE_NAMES, PlayerSettings, Scenario
from paddlebrief.rehearsal.technique import (
    DIAL_RANGES,
    Dials,
    Spread,
    default_technique,
    draw_dials,
)
from paddlebrief.rehearsal.trunk import RECOVER_S, SPLIT_S

__all__ = ["FEEDS", "Plan", "PlannedEvent", "make_plan"]

FEEDS: dict[str, FeedStyle] = {
    "drive": FeedStyle(1, (8.0, 52.0)),
    "slice": FeedStyle(1, (8.0, 52.0)),
    "dink": FeedStyle(1, (15.0, 60.0)),
    "volley": FeedStyle(0, (-2.0, 25.0)),
    "overhead": FeedStyle(0, (35.0, 66.0)),
}
"""How the ball comes, by action; a serve has none."""

_DEPTH_M = {"drive": 0.55, "slice": 0.55, "serve": -0.35, "volley": 4.2, "dink": 4.25,
            "overhead": 3.3}  # fmt: skip
"""Where a player stands, ahead of the own base line, by action (common practice, no source)."""
_FIRST_S = 3.0
_LAST_S = 2.2
_BETWEEN_PLAYERS_S = 0.9
_STOOP_S = 1.0
_WALK_S = 4.4


@dataclass(frozen=True)
class PlannedEvent:
    """One thing a player does: ``what`` is stroke, practice, pick-up or crossing.

    ``contact_s`` is the moment of contact or the middle of what is no swing; ``base_m`` (2,) is
    where the player stands in the real court frame; ``action``, ``side`` and ``dials`` are None
    for what is no swing.
    """

    what: str
    contact_s: float
    base_m: np.ndarray
    action: str | None = None
    side: str | None = None
    dials: Dials | None = None

    @property
    def span_s(self) -> tuple[float, float]:
        """Start and end of the player's being busy with it."""
        before, after = _spans(self.what)
        return self.contact_s - before, self.contact_s + after


@dataclass(frozen=True)
class Plan:
    """The timetable: events of each player, and the length of the session."""

    events: tuple[tuple[PlannedEvent, ...], ...]
    length_s: float


def _spans(what: str) -> tuple[float, float]:
    if what in ("stroke", "practice"):
        return SPLIT_S, RECOVER_S
    return (0.9, _STOOP_S) if what == "pick-up" else (_WALK_S / 2, _WALK_S / 2)


def make_plan(scenario: Scenario, rng: np.random.Generator) -> Plan:
    """Draw the order, the places and the dials, and set times that everybody can keep.

    Raises
    ------
    RehearsalError
        When the strokes do not fit into the wanted length.
    """
    rows = [_row(p, rng) for p in scenario.players]
    _add_distractors(rows, scenario, rng)
    lanes = _lanes(len(rows))
    now = [0.0] * len(rows)
    place = [np.array([lane, _base_y(row[0][1])]) for lane, row in zip(lanes, rows, strict=True)]
    events: list[list[PlannedEvent]] = [[] for _ in rows]
    last_contact = -np.inf
    while any(rows):
        ready = [now[k] if rows[k] else np.inf for k in range(len(rows))]
        k = int(np.argmin(ready))
        what, action, side, dials = rows[k].pop(0)
        if what == "crossing":
            other = rows[1 - k]
            other.remove(next(e for e in other if e[0] == "crossing"))
            last_contact = _cross(events, now, place, lanes, last_contact)
            continue
        base = place[k]
        if what != "pick-up":
            base = np.array([lanes[k] + rng.normal(0, 0.30), _base_y(action, rng)])
        contact = max(
            now[k] + _travel_s(place[k], base) + _spans(what)[0] + scenario.rest_s
            + rng.exponential(0.15),
            last_contact + _BETWEEN_PLAYERS_S,
            _FIRST_S,
        )  # fmt: skip
        events[k].append(PlannedEvent(what, contact, base, action, side, dials))
        now[k], place[k] = events[k][-1].span_s[1], base
        last_contact = contact if what == "stroke" else last_contact
    return Plan(tuple(map(tuple, events)), _length(scenario, events, now))


def _length(scenario: Scenario, events, now) -> float:
    needed = max(now) + _LAST_S
    if scenario.length_s is None:
        return float(np.ceil(needed))
    if scenario.length_s < needed:
        count = sum(len(row) for row in events)
        raise RehearsalError(
            f"length_s is too short for {count} strokes and other actions",
            expected=f"at least {needed:.0f} s",
            found=f"{scenario.length_s:g} s",
            todo="leave length_s out or ask for fewer strokes",
        )
    return float(scenario.length_s)


def _row(player: PlayerSettings, rng: np.random.Generator) -> list[tuple]:
    """The player's strokes in order, those at the base line before those at the net."""
    strokes = [STROKE_NAMES[n] for n, count in player.strokes.items() for _ in range(count)]
    strokes = [strokes[i] for i in rng.permutation(len(strokes))]
    strokes.sort(key=lambda s: _DEPTH_M[s[0]] > 2)
    usual = {
        s: default_technique(*s, rng=rng, stature_m=player.body.height_m)
        for s in sorted(set(strokes))
    }
    techniques = {s: usual[s] | _wishes(player.technique, s) for s in usual}
    change = player.change
    later = {s: techniques[s] | (_wishes(change.technique, s) if change else {}) for s in usual}
    turn = round(change.at * len(strokes)) if change else len(strokes)
    row = []
    for k, stroke in enumerate(strokes):
        technique = (techniques if k < turn else later)[stroke]
        row.append(("stroke", *stroke, _fitting(stroke[0], draw_dials(technique, rng=rng))))
    return row


def _wishes(technique, stroke: tuple[str, str]) -> dict[str, Spread]:
    """A scenario's dials for a stroke; a bare number keeps the usual spread."""
    named = next((d for name, d in technique.items() if STROKE_NAMES[name] == stroke), {})
    return {
        dial: value if isinstance(value, Spread) else Spread(mean=value, sd=DIAL_RANGES[dial][2])
        for dial, value in named.items()
    }


def _fitting(action: str, dials: Dials) -> Dials:
    """A drive's path never falls and a slice's never rises, by the meaning of the words."""
    path = dials.path_angle_deg
    if action == "drive":
        path = max(path, 1.0)
    if action == "slice":
        path = min(path, -4.0)
    return Dials(**(vars(dials) | {"path_angle_deg": path}))


def _add_distractors(rows: list[list[tuple]], scenario: Scenario, rng) -> None:
    for _ in range(scenario.distractors.practice_swings):
        row = rows[int(rng.integers(len(rows)))]
        k = int(rng.choice([i for i, e in enumerate(row) if e[0] == "stroke"]))
        row.insert(k, ("practice", *row[k][1:]))
    for _ in range(scenario.distractors.pick_ups):
        row = rows[int(rng.integers(len(rows)))]
        row.insert(int(rng.integers(1, len(row) + 1)), ("pick-up", None, None, None))
    for k in range(scenario.distractors.crossings):
        share = (k + 1) / (scenario.distractors.crossings + 1)
        for row in rows[:2]:
            row.insert(max(1, round(share * len(row))), ("crossing", None, None, None))


def _lanes(players: int) -> list[float]:
    width = COURT_WIDTH_M / players
    return [float(-COURT_WIDTH_M / 2 + width * (k + 0.5)) for k in range(players)]


def _base_y(action: str | None, rng: np.random.Generator | None = None) -> float:
    depth = _DEPTH_M.get(action or "drive", 0.55)
    wander = 0.0 if rng is None else float(np.clip(rng.normal(0, 0.15), -0.3, 0.3))
    return -COURT_LENGTH_M / 2 + depth + wander


def _travel_s(start: np.ndarray, goal: np.ndarray) -> float:
    way = float(np.hypot(*(goal - start)))
    return steps_needed_s(way) if way > 0.05 else 0.0


def _cross(events, now, place, lanes, last_contact) -> float:
    """The first two players change places, one passing behind the other."""
    middle = max(now[0], now[1], last_contact) + _WALK_S / 2 + 0.3
    goals = np.array([lanes[1], place[1][1] - 0.9]), np.array([lanes[0], place[0][1]])
    for k, goal in enumerate(goals):
        events[k].append(PlannedEvent("crossing", middle, goal))
        now[k], place[k] = middle + _WALK_S / 2, goal
    lanes[0], lanes[1] = lanes[1], lanes[0]
    return middle
