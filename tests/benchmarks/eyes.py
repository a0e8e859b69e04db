"""How well the eyes see: rehearsals with seeds that nothing was trained on, in stills.

Run with ``python -m tests.benchmarks.eyes [--instants N] [--seeds S …]``; prints a table. Each
still is a frame of a preset with the four around it that the ball network sees, with the camera's noise and packed like
video; crops are placed by the true landmarks.
"""

import argparse
import time
from fractions import Fraction

import numpy as np

from paddlebrief.eyes import BallNet, EyeSettings, PaddleNet, hand_squares
from paddlebrief.eyes.ball_net import FAR_S
from paddlebrief.eyes.training.labelling import Cutouts, ball_label, paddle_label
from paddlebrief.eyes.training.situations import StillWorld
from paddlebrief.eyes.training.spoil import pack
from paddlebrief.rehearsal.camera import place_camera
from paddlebrief.rehearsal.drawing import open_drawing
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.gear import paddle_prop
from paddlebrief.rehearsal.lens import Lens, Sensor
from paddlebrief.rehearsal.scenario import load_scenario
from paddlebrief.rehearsal.scene import Exposure, Scene
from paddlebrief.rehearsal.scenery import FAR_M
from paddlebrief.rehearsal.staging import stage

RECORDINGS = {
    "1080p60 1/1000 s": ((1920, 1080), 60, 1 / 1000),
    "1080p60 1/120 s": ((1920, 1080), 60, 1 / 120),
    "720p30 1/1000 s": ((1280, 720), 30, 1 / 1000),
    "720p30 1/120 s": ((1280, 720), 30, 1 / 120),
}
NEAR_PADDLE_PX, NEAR_BALL_PX, SEEN = 10.0, 5.0, 0.5


class Tally:
    """Counts and errors of one preset and recording."""

    def __init__(self) -> None:
        self.paddles = self.found = self.faces = self.told = 0
        self.balls = self.hits = self.false = 0
        self.errors: list[float] = []
        self.inside: list[bool] = []
        self.seconds: dict[str, list[float]] = {"paddle": [], "ball": []}

    def row(self, name: str) -> str:
        """One line of the table."""
        errors = np.array(self.errors or [np.nan])
        precision = self.hits / max(self.hits + self.false, 1)
        return (
            f"{name:26} paddle {self.found:3}/{self.paddles:<3} within 10 px, keypoints "
            f"{np.median(errors):4.1f} px (90 %: {np.quantile(errors, 0.9):4.1f}), inside 95 %: "
            f"{np.mean(self.inside or [np.nan]):.2f}, face {self.told}/{self.faces}; "
            f"ball {self.hits}/{self.balls}, precision {precision:.2f}; "
            f"{1e3 * np.median(self.seconds['paddle']):.0f} ms a crop, "
            f"{1e3 * np.median(self.seconds['ball']):.0f} ms a frame"
        )


def see(preset: str, recording: str, *, seed: int, instants: int, nets, tally: Tally) -> None:
    """Draw stills of a preset and add what the networks make of them."""
    (width, height), rate, shutter = RECORDINGS[recording]
    scenario = load_scenario(preset)
    view = scenario.camera.model_copy(
        update={
            "width_px": width, "height_px": height, "frame_rate": Fraction(rate),
            "shutter_s": shutter, "readout_s": 0.0, "shake_deg": 0.0,
        }
    )  # fmt: skip
    staging = stage(scenario, seed)
    rng = np.random.default_rng([seed, 99])
    camera = place_camera(view)
    lens = Lens(camera, shake_deg=0)
    cast = [dress(p.body, make_look(p.body, p.settings.clothes)) for p in staging.players]
    props = [paddle_prop(p.settings.paddle, seed + k) for k, p in enumerate(staging.players)]
    with open_drawing(FAR_M) as drawing:
        parts = {"camera": camera, "lens": lens, "cast": cast, "paddles": props}
        scene = Scene(drawing, venue=scenario.venue, seed=seed, feeder_m=(0.0, 4.6), **parts)
        cutouts = Cutouts(drawing, **parts)
        sensor = Sensor(view, seed)
        for _ in range(instants):
            stroke = staging.strokes[int(rng.integers(len(staging.strokes)))]
            middle = stroke.event.contact_s + rng.uniform(-0.5, 0.6)
            far = max(2, round(FAR_S * rate))
            times = middle + np.array([-far, -1, 0, 1, far]) / rate
            world = StillWorld(
                staging, start_s=times[0] - 0.03, end_s=times[-1] + 0.03, extra_balls=[]
            )
            flat = [scene.expose(world, Exposure(t, shutter)) for t in times]
            frames = pack(np.stack([sensor.record(lens.picture(f), 1.0) for f in flat]), quality=60)
            now = world(times[2:3])
            cutouts.draw(now, 0, [True] * len(cast))
            table = cutouts.read(1, cutouts.whole)
            _paddles(frames[2], now, (staging, camera, cutouts, table), nets[0], tally)
            _balls(
                frames, (world, times[2], shutter), (camera, view, cutouts, table), nets[1], tally
            )


def _paddles(frame, now, drawn, net: PaddleNet, tally: Tally) -> None:
    staging, camera, cutouts, table = drawn
    for k, (player, joints, pose) in enumerate(
        zip(staging.players, now.joints, now.paddles, strict=True)
    ):
        label = paddle_label(
            cutouts, table, number=k, pose=(pose[0][0], pose[1][0]),
            spec=player.settings.paddle, camera=camera,
        )  # fmt: skip
        inside = label is not None and np.all(
            (label["keypoints"][:, :2] >= 0) & (label["keypoints"][:, :2] < frame.shape[1::-1])
        )
        if not inside or label["seen"] < SEEN:
            continue
        landmarks = camera.project(player.body.landmarks(*joints))
        start = time.perf_counter()
        seen = net.look(frame, hand_squares(landmarks, player.settings.hand))[0]
        tally.seconds["paddle"].append(time.perf_counter() - start)
        tally.paddles += 1
        if seen is None:
            continue
        truth = label["keypoints"]
        away = np.linalg.norm(seen.points_px - truth[:, :2], axis=1)
        tally.found += (
            np.linalg.norm(seen.points_px[2:].mean(0) - truth[2:, :2].mean(0)) <= NEAR_PADDLE_PX
        )
        tally.errors += away.tolist()
        tally.inside += (
            (np.abs(seen.points_px - truth[:, :2]) <= 1.96 * seen.sd_px[:, None]).ravel().tolist()
        )
        if label["kind"] < 2:
            tally.faces += 1
            tally.told += (seen.front > seen.back) == (label["kind"] == 0)


def _balls(frames, when, drawn, net: BallNet, tally: Tally) -> None:
    (world, middle_s, shutter), (camera, view, cutouts, table) = when, drawn
    grey = [f.mean(axis=-1).astype(np.uint8) for f in frames]
    start = time.perf_counter()
    seen = net.look(grey)
    tally.seconds["ball"].append(time.perf_counter() - start)
    places = world(middle_s + np.array([-0.5, 0.0, 0.5]) * shutter).balls_m
    step = world(middle_s + np.array([-0.005, 0.005])).balls_m
    free = list(range(len(seen)))
    for k in range(places.shape[1]):
        speed = np.linalg.norm(step[1, k] - step[0, k]) / 0.01
        if not np.isfinite(speed):
            continue
        label = ball_label(cutouts, table, ends_m=places[:, k], camera=camera, settings=view)
        if label is None or label["seen"] < SEEN:
            continue
        away = np.linalg.norm(seen.middle_px[free] - label["middle"], axis=1)
        hit = len(away) > 0 and away.min() <= NEAR_BALL_PX
        if speed > 1.0:
            tally.balls += 1
            tally.hits += hit
        if hit:
            free.pop(int(away.argmin()))
    tally.false += len(free)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--instants", type=int, default=40, help="stills of each line and seed")
    parser.add_argument("--seeds", type=int, nargs="+", default=[900_001], help="rehearsal seeds")
    options = parser.parse_args()
    settings = EyeSettings(backend="onnx")
    nets = PaddleNet(settings), BallNet(settings)
    for preset in ("behind", "side", "corner"):
        for recording in RECORDINGS:
            tally = Tally()
            for seed in options.seeds:
                see(
                    preset, recording, seed=seed, instants=options.instants, nets=nets,
                    tally=tally,
                )  # fmt: skip
            print(tally.row(f"{preset}, {recording}"), flush=True)


if __name__ == "__main__":
    main()
