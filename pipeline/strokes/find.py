"""The stage's verb: find the strokes of every player of a recording."""

import logging
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from paddlebrief.ears import EarSettings, Impact, travel_s
from paddlebrief.records import FootageInfo, Handedness, Kind, Stroke, Track
from paddlebrief.sight import SightSettings, TrackParts
from paddlebrief.smoothing import smooth_paths
from paddlebrief.strokes.kind import HandPathKind, KindModel, decide_kind, path_features
from paddlebrief.strokes.settings import StrokeSettings
from paddlebrief.strokes.side import decide_side, forehand_probability, side_cues
from paddlebrief.strokes.swings import Swing, find_swings, hand_motion, phases
from paddlebrief.timing import frame_instant_sd_s

__all__ = ["StrokeSettings", "find_strokes", "smoothed_window"]

log = logging.getLogger(__name__)

MARGIN_S = 0.6  # of track kept beyond the phases on either side, s on court
LOUD_DB = 25.0  # rise of an impact that leaves a swing's strength as it is; louder ones add to it
MOST_GAIN = 10.0
FASTEST_GUESS_BHPS = 5.0
GUESS_ERROR_BH = 0.08  # standard error of a hidden hand's guessed place, body heights


@dataclass(frozen=True, kw_only=True)
class _Contact:
    """A swing whose contact is settled, seconds on court."""

    person: int
    swing: Swing
    contact_s: float
    sd_s: float
    heard: bool
    evidence: float


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
    model: KindModel | None = None,
    progress: Callable[[float], None] = lambda share: None,
) -> list[Stroke]:
    """Strokes of a recording in order of contact; empty when nobody swings.

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
    model
        Model of the kind; the hand-path model when None.
    progress
        Called with the share done, 0 to 1.
    """
    model = model or HandPathKind()
    swings = _all_swings(info, parts, settings=settings, sight=sight)
    contacts = [
        contact
        for person, found in swings.items()
        for contact in _contacts(
            person,
            found,
            hand=handedness.get(person),
            impacts=impacts,
            info=info,
            settings=settings,
            ears=ears,
        )
    ]
    contacts = sorted(_one_owner(contacts), key=lambda c: c.contact_s)
    strokes = []
    for done, contact in enumerate(contacts):
        stroke = _stroke(
            contact,
            len(strokes) + 1,
            info,
            parts,
            names,
            settings=settings,
            sight=sight,
            model=model,
        )
        if stroke is not None:
            strokes.append(stroke)
        progress((done + 1) / len(contacts))
    return strokes


def smoothed_window(
    parts: TrackParts,
    person: int,
    *,
    start_s: float,
    end_s: float,
    contact_s: float,
    slow_factor: float,
    sight: SightSettings,
    keep_hidden: bool = False,
) -> Track:
    """One person's track between two presentation times, smoothed on either side of a contact;
    landmarks that the network calls hidden are missing, or kept as it guesses them."""
    track = parts.window(person, start_s, end_s)
    return _smoothed(
        track, slow_factor=slow_factor, sight=sight, breaks_s=[contact_s], keep_hidden=keep_hidden
    )


def _smoothed(
    track: Track,
    *,
    slow_factor: float,
    sight: SightSettings,
    breaks_s: Sequence[float] = (),
    keep_hidden: bool = False,
) -> Track:
    """The track smoothed between breaks (presentation times), hidden landmarks out or in."""
    shown = (track.visibility >= sight.min_visibility)[..., None] | keep_hidden
    seen = np.where(shown, track.landmarks_px, np.nan)
    smooth = smooth_paths(
        seen,
        track.time_s / slow_factor,
        cutoff_hz=sight.cutoff_hz,
        breaks_s=[b / slow_factor for b in breaks_s],
    )
    return replace(track, landmarks_px=smooth)


def _all_swings(
    info: FootageInfo, parts: TrackParts, *, settings: StrokeSettings, sight: SightSettings
) -> dict[int, list[Swing]]:
    swings: dict[int, list[Swing]] = defaultdict(list)
    for start_s, end_s, tracks in parts.overlapping():
        for track in tracks:
            for hidden in (False, True):
                smooth = _smoothed(
                    track, slow_factor=info.slow_factor, sight=sight, keep_hidden=hidden
                )
                for hand in (Handedness.LEFT, Handedness.RIGHT):
                    motion = hand_motion(smooth, hand, slow_factor=info.slow_factor)
                    found = [] if motion is None else find_swings(motion, settings)
                    swings[track.person] += [
                        replace(s, guessed=hidden)
                        for s in found
                        if start_s <= s.contact_s * info.slow_factor < end_s
                    ]
    return swings


def _hitting_hand(contacts: list[_Contact]) -> Handedness:
    """The hand with more evidence; right where there is nothing to tell."""
    total = {h: sum(c.evidence**2 for c in contacts if c.swing.hand is h) for h in Handedness}
    return max((Handedness.RIGHT, Handedness.LEFT), key=total.__getitem__)


def _contacts(
    person: int,
    swings: list[Swing],
    *,
    hand: Handedness | None,
    impacts: Sequence[Impact],
    info: FootageInfo,
    settings: StrokeSettings,
    ears: EarSettings,
) -> list[_Contact]:
    """Contacts of one person's hitting hand, told from the swings where it is not known."""
    both = [
        _settle(person, s, impacts=impacts, info=info, settings=settings, ears=ears)
        for s in swings
    ]
    hand = hand or _hitting_hand([c for c in both if not c.swing.guessed])
    own = sorted((c for c in both if c.swing.hand is hand), key=lambda c: -c.evidence)
    chosen: list[_Contact] = []
    for contact in own:
        needed = settings.min_evidence_heard if contact.heard else settings.min_strength
        apart = [abs(contact.contact_s - c.contact_s) for c in chosen]
        if contact.evidence >= needed and min(apart, default=np.inf) >= settings.stroke_apart_s:
            chosen.append(contact)
    return chosen


def _one_owner(contacts: list[_Contact]) -> list[_Contact]:
    """Contacts in which no impact is claimed twice: the player with more evidence hit it."""
    owners: dict[float, _Contact] = {}
    for contact in contacts:
        rival = owners.get(contact.contact_s)
        if contact.heard and (rival is None or contact.evidence > rival.evidence):
            owners[contact.contact_s] = contact
    return [c for c in contacts if not c.heard or owners[c.contact_s] is c]


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
    struck = np.array([i.heard_s / info.slow_factor - travel_s(ears.distance_m) for i in impacts])
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


def _stroke(
    contact: _Contact,
    number: int,
    info: FootageInfo,
    parts: TrackParts,
    names: Mapping[int, str],
    *,
    settings: StrokeSettings,
    sight: SightSettings,
    model: KindModel,
) -> Stroke | None:
    slow, at = info.slow_factor, contact.contact_s
    hand = contact.swing.hand
    track = smoothed_window(
        parts,
        contact.person,
        start_s=(at - settings.backswing_s - MARGIN_S) * slow,
        end_s=(at + settings.finish_s + MARGIN_S) * slow,
        contact_s=at * slow,
        slow_factor=slow,
        sight=sight,
        keep_hidden=contact.swing.guessed,
    )
    motion = hand_motion(track, hand, slow_factor=slow)
    if motion is None:
        log.info("a swing at %.2f s has no measurable body and is left out", at * slow)
        return None
    load, forward, finish = phases(motion, at, settings)
    cues = side_cues(track, hand, load_s=load * slow, contact_s=at * slow)
    side, side_probability = decide_side(
        forehand_probability(cues), unsure_below=settings.unsure_below
    )
    features = path_features(
        track,
        hand,
        load_s=load * slow,
        contact_s=at * slow,
        after_s=(at + 0.15) * slow,
        speed_bhps=contact.swing.peak_bhps,
        placement_error=GUESS_ERROR_BH if contact.swing.guessed else sight.placement_error,
    )
    kinds: Mapping[Kind, float] = model.probabilities(features)
    return Stroke(
        number=number,
        person=contact.person,
        player=names.get(contact.person, str(contact.person)),
        hand=hand,
        side=side,
        side_probability=side_probability,
        kind=decide_kind(kinds, unsure_below=settings.unsure_below),
        kind_probabilities=kinds,
        load_s=load * slow,
        forward_s=forward * slow,
        contact_s=at * slow,
        contact_s_sd=contact.sd_s * slow,
        finish_s=finish * slow,
        heard=contact.heard,
    )
