"""``python -m paddlebrief.eyes.training --out DIR``: render, train, judge, export both networks.

Rendering and training go on at the same time in processes of their own: networks train on what
has been rendered so far, and see new samples until the time is up.
"""

import argparse
import logging
from pathlib import Path

from paddlebrief.eyes.training.course import run
from paddlebrief.eyes.training.render import taking_part
from paddlebrief.rehearsal.bodies import bake_bodies


def main() -> None:
    """Command line of the recipe."""
    parser = argparse.ArgumentParser(prog="python -m paddlebrief.eyes.training")
    parser.add_argument("--out", type=Path, required=True, help="folder for weights and record")
    parser.add_argument("--minutes", type=float, default=60.0, help="time for everything, minutes")
    parser.add_argument("--finish-minutes", type=float, default=1.5,
                        help="part of it kept for judging and export, minutes")  # fmt: skip
    parser.add_argument("--render-minutes", type=float, default=1e6,
                        help="training goes on alone after so long, minutes")  # fmt: skip
    parser.add_argument("--seed", type=int, default=11, help="seed of everything that is drawn")
    parser.add_argument("--processes", type=int, default=2, help="processes that render")
    parser.add_argument("--close-ups", type=float, default=0.4,
                        help="share of them that render crops round a hand alone")  # fmt: skip
    parser.add_argument("--held", type=int, default=700,
                        help="held-out samples that each of the first processes makes first")  # fmt: skip
    parser.add_argument("--bodies", type=int, default=64, help="bodies to train on")
    parser.add_argument("--held-bodies", type=int, default=16, help="bodies to judge with")
    parser.add_argument("--device", default="cpu", help="cpu or cuda")
    parser.add_argument("--batch", type=int, default=256, help="samples in a step (ball: half)")
    parser.add_argument("--most", type=int, default=60_000,
                        help="samples of the paddle's kept on the device (ball: 0.6)")  # fmt: skip
    parser.add_argument("--fewest", type=int, default=3000, help="samples to start training with")
    parser.add_argument("--keep", action="store_true", help="leave the samples on the disk")
    parser.add_argument("--scratch", action="append", default=[], choices=["paddle", "ball"],
                        help="do not start this network from the shipped weights")  # fmt: skip
    parser.add_argument("--only", choices=["paddle", "ball"], action="append",
                        help="train this network alone; may be named twice")  # fmt: skip
    parser.add_argument("--bake", action="store_true",
                        help="only make the bodies ready, for a machine without anny")  # fmt: skip
    options = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s")
    bake_bodies(
        [*taking_part("train", options.bodies), *taking_part("held", options.held_bodies)]
    )
    if not options.bake:
        run(options)


if __name__ == "__main__":
    main()
