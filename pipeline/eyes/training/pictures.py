"""Takes training pictures: crops round hands for the paddle net, tiles for the ball net."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from paddlebrief.eyes.crops import Square, cut
from paddlebrief.eyes.training.examples import (
    BODY_HEIGHTS,
    CROP_PX,
    FRAME_LONG_PX,
    HIDDEN,
    MIDDLE,
    SEEN,
    BallSample,
    PaddleSample,
    empty,
    paddle_sample,
)
from paddlebrief.eyes.training.labelling import Cutouts, ball_label, paddle_label
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.situations import Instant, draw_venue, draw_view, instant
from paddlebrief.eyes.training.spoil import spoil_colours, spoil_frames
from paddlebrief.eyes.training.things import decoy, printed_paddle
from paddlebrief.eyes.training.tiles import ball_tile, stands_out
from paddlebrief.rehearsal.bodies import make_body
from paddlebrief.rehearsal.camera import place_camera
from paddlebrief.rehearsal.drawing import Drawing
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.lens import Lens
from paddlebrief.rehearsal.scene import Exposure, Moments, Scene
from paddlebrief.rehearsal.staging import FEEDER_M, Staging

__all__ = ["Shoot", "crop_round", "spoiled_crop"]

_OFF_HAND = 0.15  # how often the hand that does not hit is looked at too
_SMALLEST_CROP_PX = 40
_MOST_TILES = 9


class Shoot:
    """One take seen by one camera at one venue, players newly dressed and equipped."""

    def __init__(
        self,
        drawing: Drawing,
        staging: Staging,
        photographs: Photographs,
        rng: np.random.Generator,
    ) -> None:
        self._rng, self._staging, self._photographs = rng, staging, photographs
        self.view = draw_view(rng)
        self.camera = place_camera(self.view)
        self._lens = Lens(self.camera, shake_deg=0)
        cast = []
        for player in staging.players:
            looks = int(rng.integers(1 << 30))
            spec = replace(player.body.spec, appearance=looks)
            body = make_body(spec, player.settings.appearance)
            cast.append(dress(body, make_look(body)))
        self._holds = [str(rng.choice(["paddle", "decoy", "nothing"], p=[0.82, 0.1, 0.08]))
                       for _ in cast]  # fmt: skip
        props = [
            decoy(rng) if holds == "decoy" else printed_paddle(p.settings.paddle, rng)
            for holds, p in zip(self._holds, staging.players, strict=True)
        ]
        feeder = (float(FEEDER_M[0]), float(FEEDER_M[1])) if rng.uniform() < 0.7 else None
        self._scene = Scene(
            drawing,
            camera=self.camera,
            lens=self._lens,
            venue=draw_venue(rng),
            cast=cast,
            paddles=props,
            seed=int(rng.integers(1 << 30)),
            feeder_m=feeder,
        )
        self._cutouts = Cutouts(
            drawing, camera=self.camera, lens=self._lens, cast=cast, paddles=props
        )
        self._flat_camera = replace(
            self.camera,
            distortion=np.zeros(5),
            centre_px=self._lens.matrix[:2, 2],
            size_px=self._lens.size_px,
        )

    def release(self) -> None:
        """Give the pictures' memory back."""
        self._cutouts.release()

    def samples(self, count: int) -> Iterator[PaddleSample | BallSample]:
        """Samples of ``count`` instants."""
        for _ in range(count):
            now = instant(self._staging, self.view, self.camera, self._rng)
            middle = self._equipped(now.world(now.frame_s[MIDDLE : MIDDLE + 1]))
            self._cutouts.draw(middle, 0, [h != "nothing" for h in self._holds])
            table = self._cutouts.read(1, self._cutouts.whole)
            frames = np.stack([self._picture(now, k) for k in range(len(now.frame_s))])
            labels = self._paddle_labels(middle, table, flat=False)
            yield from self._paddle_samples(frames[MIDDLE - 1 : MIDDLE + 1], middle, labels)
            yield from self._ball_samples(frames, now, table)
            flat = self._paddle_labels(middle, table, flat=True)
            yield from self._composites(now, middle, flat)

    def _equipped(self, moments: Moments) -> Moments:
        """Where a hand is empty its paddle is put far behind the camera."""
        away = self.camera.position_m - 30 * self.camera.rotation[2]
        paddles = tuple(
            (np.tile(away, (len(moments), 1)), turn) if holds == "nothing" else (butt, turn)
            for holds, (butt, turn) in zip(self._holds, moments.paddles, strict=True)
        )
        return replace(moments, paddles=paddles)

    def _picture(self, now: Instant, frame: int) -> np.ndarray:
        exposure = Exposure(now.frame_s[frame], self.view.shutter_s)
        flat = self._scene.expose(lambda t: self._equipped(now.world(t)), exposure)
        return self._lens.picture(flat)

    def _paddle_labels(self, middle: Moments, table: np.ndarray, *, flat: bool) -> list[dict]:
        camera = self._flat_camera if flat else self.camera
        labels = []
        for k, (player, (butt, turn)) in enumerate(
            zip(self._staging.players, middle.paddles, strict=True)
        ):
            if self._holds[k] != "paddle":
                continue
            label = paddle_label(
                self._cutouts, table, number=k, pose=(butt[0], turn[0]),
                spec=player.settings.paddle, camera=camera,
            )  # fmt: skip
            if label is not None:
                labels.append(label)
        return labels

    def _hand_squares(self, middle: Moments, camera) -> list[Square]:
        """Squares round hands, as the pose network would give them: a little off in all ways."""
        squares = []
        for player, joints in zip(self._staging.players, middle.joints, strict=True):
            hitting = player.settings.hand
            sides = [hitting]
            if self._rng.uniform() < _OFF_HAND:
                sides.append("left" if hitting == "right" else "right")
            for side in sides:
                hand = player.body.landmark(f"{side}_hand", *joints)[0]
                pixel = camera.project(hand)
                distance = float(camera.in_camera(hand)[2])
                if distance < 0.8 or not np.isfinite(pixel).all():
                    continue
                height = camera.focal_px * player.body.spec.height_m / distance
                square = crop_round(pixel, height, side=side, rng=self._rng)
                inside = (np.array(square.centre_px) >= 0) & (
                    np.array(square.centre_px) < camera.size_px
                )
                if inside.all() and square.side_px > _SMALLEST_CROP_PX:
                    squares.append(square)
        return squares

    def _paddle_samples(self, frames, middle: Moments, labels) -> Iterator[PaddleSample]:
        for square in self._hand_squares(middle, self.camera):
            picture = spoiled_crop(frames, square, self._rng)
            sample = paddle_sample(picture, square, labels)
            if sample is not None:
                yield sample
        if self._rng.uniform() < 0.12:
            width, height = self.camera.size_px
            square = Square(
                centre_px=tuple(self._rng.uniform(0, 1, 2) * [width, height]),
                side_px=float(self._rng.uniform(60, 420)),
                mirrored=bool(self._rng.uniform() < 0.5),
            )
            sample = paddle_sample(spoiled_crop(frames, square, self._rng), square, labels)
            if sample is not None:
                yield sample

    def _composites(self, now: Instant, middle: Moments, labels) -> Iterator[PaddleSample]:
        """Players cut out and set into real photographs."""
        if not len(self._photographs) or self._rng.uniform() > 0.35:
            return
        for square in self._hand_squares(middle, self._flat_camera)[:1]:
            side = round(square.side_px)
            x, y = (round(c - side / 2) for c in square.centre_px)
            width, height = self._lens.size_px
            if x < 0 or y < 0 or x + side > width or y + side > height or side > 700:
                continue
            light, cover = self._cutout(now, (x, y, side, side))
            piece = self._photographs.piece(side, self._rng).astype(np.float32) / 255
            mixed = np.clip(light + (piece**2.2) * (1 - cover), 0, 1) ** (1 / 2.2)
            picture = np.round(mixed * 255).astype(np.uint8)[None]
            picture = spoil_frames(spoil_colours(picture, self._rng), self._rng)[0]
            whole = Square(centre_px=(x + (side - 1) / 2, y + (side - 1) / 2), side_px=float(side))
            whole = replace(whole, mirrored=square.mirrored)
            own = replace(whole, centre_px=((side - 1) / 2, (side - 1) / 2))
            sample = paddle_sample(cut(picture, own, CROP_PX), whole, labels)
            if sample is not None:
                yield sample
        if self._rng.uniform() < 0.3:
            piece = self._photographs.piece(CROP_PX, self._rng)[None]
            yield empty(spoil_frames(spoil_colours(piece, self._rng), self._rng)[0])

    def _cutout(self, now: Instant, box) -> tuple[np.ndarray, np.ndarray]:
        """Light (BGR, linear) and coverage of the moving things over one exposure."""
        ends = now.world(now.frame_s[MIDDLE] + np.array([-0.5, 0.5]) * self.view.shutter_s)
        travel = [
            np.linalg.norm(np.diff(self._cutouts.pixels(butt + 0.4 * turn[..., 1])[0], axis=0))
            for butt, turn in ends.paddles
        ]
        count = int(np.clip(np.nanmax(travel) / 2.5 + 2, 4, 14))
        shares = (np.arange(count) + 0.5) / count - 0.5
        moments = self._equipped(now.world(now.frame_s[MIDDLE] + shares * self.view.shutter_s))
        light = np.zeros((box[3], box[2], 3), np.float32)
        cover = np.zeros((box[3], box[2], 1), np.float32)
        held = [h != "nothing" for h in self._holds]
        for k in range(count):
            shift = self._rng.uniform(-0.5, 0.5, 2)
            self._cutouts.draw(moments, k, held, tuple(shift))
            table = self._cutouts.read(1, box)[..., :1]
            light += self._cutouts.read(0, box)[..., 2::-1] * table / count
            cover += table / count
        return light, cover

    def _ball_samples(self, frames, now: Instant, table: np.ndarray) -> Iterator[BallSample]:
        scale = min(1.0, FRAME_LONG_PX / max(frames.shape[1:3]))
        balls = self._balls(now, table)
        tile = round(CROP_PX / scale)
        height, width = frames.shape[1:3]
        wanted = [b["middle"] for b in balls if b["shown"] and b["seen"] >= SEEN]
        wanted = [wanted[k] for k in self._rng.permutation(len(wanted))[: _MOST_TILES - 1]]
        wanted.append(self._rng.uniform(0, 1, 2) * [width, height])
        for middle in wanted:
            corner = middle - self._rng.uniform(0.08, 0.92, 2) * tile
            limit = np.maximum(np.array([width, height]) - tile, 0)
            x, y = np.clip(np.round(corner), 0, limit).astype(int)
            near = [b for b in balls if _inside(b["middle"], x, y, tile, margin=6)]
            if any(b["doubtful"] for b in near):
                continue
            part = frames[:, y : y + tile, x : x + tile]
            if part.shape[1] < tile or part.shape[2] < tile:
                low, wide = tile - part.shape[1], tile - part.shape[2]
                part = np.pad(part, ((0, 0), (0, low), (0, wide), (0, 0)), constant_values=114)
            shown = [b for b in near if b["shown"] and b["seen"] >= SEEN]
            sample = ball_tile(
                part, shown, (x, y), steps=now.steps, photographs=self._photographs, rng=self._rng
            )
            balls_in = zip(sample.ends, sample.radii, strict=True)
            if all(stands_out(sample.picture, ends, r) for ends, r in balls_in):
                yield sample

    def _balls(self, now: Instant, table: np.ndarray) -> list[dict]:
        half = self.view.shutter_s / 2
        places = now.world(now.frame_s[MIDDLE] + np.array([-half, 0, half])).balls_m
        found = []
        for k in range(places.shape[1]):
            if not np.isfinite(places[:, k]).all():
                continue
            label = ball_label(
                self._cutouts, table, ends_m=places[:, k], camera=self.camera, settings=self.view
            )
            if label is None:
                continue
            way = now.world(now.frame_s).balls_m[:, k]
            moved = float(np.linalg.norm(way[MIDDLE + 1] - way[MIDDLE - 1]))
            still = moved < 1e-3
            label["shown"] = bool(now.flying[k])
            scale = min(1.0, FRAME_LONG_PX / max(self.camera.size_px))
            small = label["radius"] * scale < 1.1
            partly = HIDDEN < label["seen"] < SEEN
            carried = not now.flying[k] and not still and label["seen"] > HIDDEN
            label["doubtful"] = carried or (bool(now.flying[k]) and (partly or small))
            found.append(label)
        return found


def crop_round(
    hand_px: np.ndarray, height_px: float, *, side: str, rng: np.random.Generator
) -> Square:
    """The square round a hand that the landmarks would give: a little off in all ways.

    ``height_px`` is the body's height at the hand's distance. Left hands are mirrored.
    """
    side_px = BODY_HEIGHTS * height_px * float(np.exp(rng.normal(-0.03, 0.14)))
    off = 0.035 if rng.uniform() < 0.85 else 0.10
    centre = np.asarray(hand_px) + rng.normal(0, off, 2) * height_px
    return Square(centre_px=tuple(centre), side_px=side_px, mirrored=side == "left")


def spoiled_crop(frames: np.ndarray, square: Square, rng: np.random.Generator) -> np.ndarray:
    """The crop of the last of (n, h, w, 3) frames after what camera and codec do to them."""
    x, y = square.centre_px
    half = square.side_px / 2 + 4
    height, width = frames.shape[1:3]
    x0, x1 = max(0, int(x - half)), min(width, int(x + half) + 2)
    y0, y1 = max(0, int(y - half)), min(height, int(y + half) + 2)
    part = frames[:, y0:y1, x0:x1]
    if rng.uniform() < 0.5:
        part = part[-1:]
    part = spoil_frames(spoil_colours(part, rng), rng)[-1]
    return cut(part, replace(square, centre_px=(x - x0, y - y0)), CROP_PX)


def _inside(point: np.ndarray, x: int, y: int, tile: int, *, margin: float) -> bool:
    return bool(
        -margin <= point[0] - x <= tile + margin and -margin <= point[1] - y <= tile + margin
    )
