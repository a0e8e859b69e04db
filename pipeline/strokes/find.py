"""The stage's verb: find the strokes of every player of a recording."""

import logging
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.court import Court
from paddlebrief.ears import EarSettings, Impact, travel_s
from paddlebrief.records import FootageInfo, Handedness, Stroke
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.strokes.grounded import stands
from paddlebrief.strokes.kind import HandPathKind, KindModel
from paddlebrief.strokes.settings import StrokeSettings
from paddlebrief.strokes.stroke import smoothed, stroke_at
from paddlebrief.strokes.swings import HandMotion, Swing, find_swings, hand_motion
from paddlebrief.timing import frame_instant_sd_s

__all__ = ["StrokeSettings", "find_strokes"]

log = logging.getLogger(__name__)

LOUD_DB = 25.0  # rise of an impact that leaves a swing's strength as it is; louder ones add to it
MOST_GAIN = 10.0
FASTEST_GUESS_BHPS = 6.0
LEAST_SEEN_S = 2.0  # people followed for less, s on court, are mostly mistakes of the tracker
MOST_MOMENTS = 12  # at which the paddle is looked for in both hands of a person
MOMENTS_APART_S = 0.1
POSSIBLE_APART_S = 0.2  # between contacts that wait for a ball, s on court (a guess)
CLEARLY_STRONGER = 5.0  # an owner of an impact by this factor has no rivals


@dataclass(frozen=True, kw_only=True)
class _Contact:
    """A swing whose contact is settled, seconds on court."""

    person: int
    swing: Swing
    contact_s: float
    sd_s: float
    heard: bool
    evidence: float
    sure: bool = True


Holding = Callable[[int, Sequence[float]], Handedness]
"""Tells the hand that holds the paddle from a person's number and presentation times."""


def find_strokes(
    info: FootageInfo,
    parts: TrackParts,
    *,
    impacts: Sequence[Impact],
    handedness: Mapping[int, Handedness],
    names: Mapping[int, str],
    settings: StrokeSettings,
    sight: SightSettings,
    ears: EarSettings,
    court: Court | None = None,
    holding: Holding | None = None,
    model: KindModel | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> list[Stroke]:
    """Strokes of a recording in order of contact; empty when nobody swings.

    Several people's unsure strokes may share one impact; who hit it is settled by the ball.

    Parameters
    ----------
    info, parts
        The recording and its tracks.
    impacts
        Impacts heard in it; may be empty.
    handedness
        Known hitting hands by person; others are told from their swings.
    names
        Player's name by person; people without a name are called by their number.
    settings, sight, ears
        Settings of the stages whose rules are used.
    court
        Solved or not: bodies that cannot stand where their feet are seen are none. None asks
        nothing of that kind.
    holding
        Sees which hand holds the paddle, for people whose hand is not known; None leaves that to
        the swings.
    model
        Model of the kind; the hand-path model when None.
    progress
        Called with the share done, 0 to 1.
    """
    model = model or HandPathKind()
    loud = [i for i in impacts if i.rise_db >= settings.min_rise_db]
    swings = _all_swings(
        info, parts, _struck_s(loud, info, ears), court=court, settings=settings, sight=sight
    )
    brief = {
        p.person
        for p in parts.summary().people
        if p.end_s - p.start_s < LEAST_SEEN_S * info.slow_factor
    }
    contacts = [
        contact
        for person, found in swings.items()
        if person not in brief
        for contact in _contacts(
            person,
            found,
            hand=handedness.get(person),
            holding=holding,
            impacts=impacts,
            info=info,
            settings=settings,
            ears=ears,
        )
    ]
    contacts = sorted(_one_owner(contacts), key=lambda c: c.contact_s)
    strokes = []
    for done, contact in enumerate(contacts):
        stroke = stroke_at(
            info,
            parts,
            person=contact.person,
            hand=contact.swing.hand,
            contact_s=contact.contact_s * info.slow_factor,
            contact_s_sd=contact.sd_s * info.slow_factor,
            heard=contact.heard,
            guessed=contact.swing.guessed,
            settings=settings,
            sight=sight,
            model=model,
        )
        if stroke is not None:
            player = names.get(contact.person, str(contact.person))
            strokes.append(
                replace(stroke, number=len(strokes) + 1, player=player, sure=contact.sure)
            )
        progress((done + 1) / len(contacts))
    return strokes


def _struck_s(impacts: Sequence[Impact], info: FootageInfo, ears: EarSettings) -> np.ndarray:
    """(k,) when impacts happened, seconds on court, if at the assumed distance."""
    heard = np.array([i.heard_s for i in impacts], float)
    return heard / info.slow_factor - travel_s(ears.distance_m)


def _all_swings(
    info: FootageInfo,
    parts: TrackParts,
    struck_s: np.ndarray,
    *,
    court: Court | None,
    settings: StrokeSettings,
    sight: SightSettings,
) -> dict[int, list[Swing]]:
    """Swings of everybody by person: all large ones, and small ones during an impact."""
    swings: dict[int, list[Swing]] = defaultdict(list)
    for start_s, end_s, tracks in parts.overlapping():
        camera = None if court is None else court.at((start_s + end_s) / 2)
        for track in (t for t in tracks if stands(t, camera)):
            for hidden in (False, True):
                smooth = smoothed(
                    track, slow_factor=info.slow_factor, sight=sight, keep_hidden=hidden
                )
                for hand in (Handedness.LEFT, Handedness.RIGHT):
                    motion = hand_motion(smooth, hand, slow_factor=info.slow_factor)
                    found = [] if motion is None else _swings(motion, struck_s, settings)
                    swings[track.person] += [
                        replace(s, guessed=hidden)
                        for s in found
                        if start_s <= s.contact_s * info.slow_factor < end_s
                    ]
    return swings


def _swings(motion: HandMotion, struck_s: np.ndarray, settings: StrokeSettings) -> list[Swing]:
    large = find_swings(motion, settings)
    if not len(struck_s):
        return large
    softer = settings.model_copy(
        update={
            "min_speed_bhps": settings.min_speed_heard_bhps,
            "min_path_bh": settings.min_path_heard_bh,
        }
    )
    known = np.array([s.contact_s for s in large])
    small = [
        s
        for s in find_swings(motion, softer)
        if np.abs(struck_s - s.contact_s).min() <= settings.sound_reach_s
        and np.abs(known - s.contact_s).min(initial=np.inf) > settings.min_apart_s
    ]
    return large + small


def _hitting_hand(contacts: list[_Contact]) -> Handedness:
    """The hand with more evidence; right where there is nothing to tell."""
    total = {h: sum(c.evidence**2 for c in contacts if c.swing.hand is h) for h in Handedness}
    return max((Handedness.RIGHT, Handedness.LEFT), key=total.__getitem__)


def _contacts(
    person: int,
    swings: list[Swing],
    *,
    hand: Handedness | None,
    holding: Holding | None,
    impacts: Sequence[Impact],
    info: FootageInfo,
    settings: StrokeSettings,
    ears: EarSettings,
) -> list[_Contact]:
    """Contacts of one person's hitting hand, seen or told from the swings where it is not known."""
    both = [
        _settle(person, s, impacts=impacts, info=info, settings=settings, ears=ears) for s in swings
    ]
    both.sort(key=lambda c: -c.evidence)
    if hand is None and holding is not None:
        best = _apart([c.contact_s for c in both if c.evidence > 0])
        hand = holding(person, [time_s * info.slow_factor for time_s in best[:MOST_MOMENTS]])
    if hand in (None, Handedness.UNKNOWN):
        hand = _hitting_hand([c for c in both if not c.swing.guessed])
    own = [replace(c, sure=_is_sure(c, settings)) for c in both if c.swing.hand is hand]
    chosen: list[_Contact] = []
    # a backswing can be stronger than the stroke that it belongs to; the sound tells them apart
    for contact in sorted(own, key=lambda c: (not c.sure, not c.heard)):
        far = all(
            abs(contact.contact_s - c.contact_s)
            >= (settings.stroke_apart_s if c.sure else POSSIBLE_APART_S)
            for c in chosen
        )
        if far and (contact.sure or _is_possible(contact, settings)):
            chosen.append(contact)
    return chosen


def _apart(times_s: Sequence[float]) -> list[float]:
    """Times without those close to an earlier one: many swings are tried for one impact."""
    kept: list[float] = []
    for time_s in times_s:
        if all(abs(time_s - other) >= MOMENTS_APART_S for other in kept):
            kept.append(time_s)
    return kept


def _is_sure(contact: _Contact, settings: StrokeSettings) -> bool:
    needed = settings.min_evidence_heard if contact.heard else settings.min_strength
    return contact.evidence >= needed


def _is_possible(contact: _Contact, settings: StrokeSettings) -> bool:
    """Whether a ball that leaves the hand would make it a stroke."""
    needed = settings.min_evidence_ball if contact.heard else settings.min_strength_ball
    return contact.evidence >= needed


def _one_owner(contacts: list[_Contact]) -> list[_Contact]:
    """Contacts in which no impact is claimed twice by sure ones: more evidence wins.

    A clear owner leaves no room for others; where evidence is alike or small, all claims stay, but
    at most the strongest as sure.
    """
    strongest: dict[float, _Contact] = {}
    for contact in contacts:
        rival = strongest.get(contact.contact_s)
        if contact.heard and (rival is None or contact.evidence > rival.evidence):
            strongest[contact.contact_s] = contact
    kept = []
    for contact in contacts:
        owner = strongest.get(contact.contact_s, contact)
        if not contact.heard or owner is contact:
            kept.append(contact)
        elif not owner.sure or contact.evidence * CLEARLY_STRONGER > owner.evidence:
            kept.append(replace(contact, sure=False))
    return kept


def _settle(
    person: int,
    swing: Swing,
    *,
    impacts: Sequence[Impact],
    info: FootageInfo,
    settings: StrokeSettings,
    ears: EarSettings,
) -> _Contact:
    """Time a swing by the impact that was heard best during it, else by the hand alone."""
    struck = _struck_s(impacts, info, ears)
    loud = np.array([i.rise_db for i in impacts])
    off = np.abs(struck - swing.contact_s)
    near = np.flatnonzero((off <= settings.sound_reach_s) & (loud >= settings.min_rise_db))
    if len(near):
        best = near[np.argmax(loud[near] - 10 * (off[near] / settings.sound_reach_s) ** 2)]
        gain = 10 ** ((loud[best] - LOUD_DB) / 20)
        unknown_distance = travel_s(ears.distance_m) / 2
        return _Contact(
            person=person,
            swing=swing,
            contact_s=float(struck[best]),
            sd_s=float(np.hypot(settings.heard_sd_s, unknown_distance)),
            heard=True,
            evidence=_worth(swing) * float(min(gain, MOST_GAIN)),
        )
    frame_sd = frame_instant_sd_s(info.frame_interval_s)
    sd = float(np.sqrt(settings.unheard_sd_s**2 + frame_sd**2 + (swing.spread_s / 4) ** 2))
    return _Contact(
        person=person,
        swing=swing,
        contact_s=swing.contact_s,
        sd_s=sd,
        heard=False,
        evidence=0.0 if swing.guessed else swing.strength,
    )


def _worth(swing: Swing) -> float:
    """Strength of a heard swing; a hand that the network only guesses counts half, and not at
    all where it guesses a speed that no hand has."""
    if not swing.guessed:
        return swing.strength
    return 0.5 * swing.strength if swing.peak_bhps <= FASTEST_GUESS_BHPS else 0.0
