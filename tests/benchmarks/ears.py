"""How well impacts are heard: rehearsal sound at several levels of noise, with other courts.

Run with ``python -m tests.benchmarks.ears [--minutes M]``; prints a table. "heard" judges the
sound alone (any true impact counts as right); "hands" paddle impacts after comparison with hands
alone, whose clock is not known, and "balls" with seen hits, when seen bounces and hits have told
the clock. A tenth of hands and balls are wrong: they hit nothing.
"""

import argparse
import time

import numpy as np

from paddlebrief.contacts import CLOCK_SD_S, Action, Clock, agree, estimate_clock
from paddlebrief.ears import EarSettings, find_impacts
from paddlebrief.footage import Sound
from paddlebrief.rehearsal.sound import (
    SOUND_RATE_HZ,
    Impact,
    SoundSettings,
    heard_s,
    other_court_impacts,
    render_sound,
)

EAR_M = np.array([0.0, -11.5, 2.4])
HAND_SD_S, BALL_SD_S = 0.05, 0.002
SEEN = {"paddle": 0.8, "bounce": 0.6}
CLOCK_S = 0.008


def session(minutes: float, settings: SoundSettings, rng: np.random.Generator) -> list[Impact]:
    """Impacts of practice: feeds, bounces, strokes every three seconds, and other courts."""
    found = other_court_impacts(settings, length_s=60 * minutes, rng=rng)
    for at in np.arange(2.0, 60 * minutes - 3, 3.0) + rng.uniform(0, 0.8):
        contact = at + rng.uniform(0, 0.5)
        place = np.array([rng.uniform(-2, 2), rng.uniform(-7, -3), 0.9])
        found += [
            Impact("feed", contact - 1.5, np.array([0, 4.6, 1.0]), 0.7),
            Impact("bounce", contact - 0.4, place * [1, 1, 0], 0.8),
            Impact("paddle", contact, place, float(rng.uniform(0.6, 1.4))),
            Impact("bounce", contact + 0.9, np.array([rng.uniform(-2, 2), 5.0, 0]), 0.9),
        ]
    return sorted(found, key=lambda i: i.time_s)


def judge(snr_db: float, minutes: float, seed: int) -> str:
    """One line of the table."""
    rng = np.random.default_rng(seed)
    noise = SoundSettings(snr_db=snr_db, other_impacts_per_min=12)
    true = session(minutes, noise, rng)
    wave = render_sound(true, length_s=60 * minutes, microphone_m=EAR_M, settings=noise, rng=rng)
    block = 30 * SOUND_RATE_HZ
    blocks = [
        Sound(samples=wave[k : k + block], rate_hz=SOUND_RATE_HZ, start_s=k / SOUND_RATE_HZ)
        for k in range(0, len(wave), block)
    ]
    start = time.process_time()
    heard = find_impacts(blocks, EarSettings())
    seconds = time.process_time() - start
    at = np.array([i.heard_s for i in heard])
    arrivals = np.array([heard_s(i, EAR_M) for i in true])
    right = np.mean([np.abs(arrivals - t).min() < 0.01 for t in at])
    paddles = [i for i in true if i.kind == "paddle"]
    off = np.array(
        [at[np.argmin(np.abs(at - t))] - t for t in (heard_s(i, EAR_M) for i in paddles)]
    )
    hit = np.abs(off) < 0.01
    text = (
        f"{snr_db:4.0f} dB: heard precision {right:.3f}, paddle recall {hit.mean():.3f}, error "
        f"median {1e3 * np.median(np.abs(off[hit])):.2f} ms, 90 % "
        f"{1e3 * np.percentile(np.abs(off[hit]), 90):.2f} ms, bias {1e3 * np.mean(off[hit]):+.2f}"
    )
    unknown = Clock(offset_s=0.0, offset_s_sd=CLOCK_SD_S, actions=0)
    hands, struck = seen([i for i in true if i.kind == "paddle"], HAND_SD_S, rng)
    text += f"\n       hands: {agreed(heard, hands, struck, unknown)}"
    balls, _ = seen([i for i in true if i.kind in SEEN], BALL_SD_S, rng)
    clock = estimate_clock(heard, balls)
    hits, struck = seen(paddles, BALL_SD_S, rng)
    text += f"\n       balls: {agreed(heard, hits, struck, clock)}, clock off by "
    text += f"{1e3 * (clock.offset_s - CLOCK_S):+.2f} ± {1e3 * clock.offset_s_sd:.2f} ms"
    return f"{text}; {seconds / minutes:.2f} s/min"


def seen(impacts: list[Impact], sd_s: float, rng) -> tuple[list[Action], np.ndarray]:
    """Actions as seen, a tenth of them false, and when each really was (NaN for false ones)."""
    actions, struck = [], []
    for impact in impacts:
        if rng.uniform() > SEEN[impact.kind]:
            continue
        false = rng.uniform() < 0.1
        at = impact.time_s - CLOCK_S
        off = rng.uniform(0.3, 1.0) if false else rng.normal(0, sd_s)
        distance = float(np.linalg.norm(impact.place_m - EAR_M)) + rng.normal(0, 0.3)
        actions.append(
            Action(time_s=at + off, time_s_sd=sd_s, distance_m=distance, distance_m_sd=0.3)
        )
        struck.append(np.nan if false else at)
    return actions, np.array(struck)


def agreed(heard, actions: list[Action], struck: np.ndarray, clock: Clock) -> str:
    """Share of agreements that are right, and of true actions that are found."""
    pairs = agree(heard, actions, clock=clock)
    error = np.array([p.struck_s - struck[p.action] for p in pairs])
    sd = np.array([p.struck_s_sd for p in pairs])
    right = np.abs(error) < 0.012
    inside = np.mean(np.abs(error[right] / sd[right]) < 1.96)
    return (
        f"precision {right.mean():.3f} recall {right.sum() / np.isfinite(struck).sum():.3f}, error "
        f"median {1e3 * np.median(np.abs(error[right])):.2f} ms in {inside:.2f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=6.0, help="length of each session")
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    for snr_db in (6, 10, 16, 24):
        print(judge(float(snr_db), given.minutes, given.seed), flush=True)


if __name__ == "__main__":
    main()
