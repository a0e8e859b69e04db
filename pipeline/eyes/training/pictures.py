"""Takes training pictures: crops round hands for the paddle net, tiles for the ball net."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np

from paddlebrief.eyes.crops import Square, cut
from paddlebrief.eyes.training.labelling import Cutouts, ball_label, paddle_label
from paddlebrief.eyes.training.painting import Painted, paint_balls, paint_distractors
from paddlebrief.eyes.training.photographs import Photographs
from paddlebrief.eyes.training.situations import Instant, draw_venue, draw_view, instant
from paddlebrief.eyes.training.spoil import spoil_colours, spoil_frames
from paddlebrief.eyes.training.things import decoy, printed_paddle
from paddlebrief.rehearsal.bodies import make_body
from paddlebrief.rehearsal.camera import place_camera
from paddlebrief.rehearsal.drawing import Drawing
from paddlebrief.rehearsal.dress import dress, make_look
from paddlebrief.rehearsal.lens import Lens
from paddlebrief.rehearsal.scene import Exposure, Moments, Scene
from paddlebrief.rehearsal.staging import FEEDER_M, Staging

__all__ = ["BODY_HEIGHTS", "CROP_PX", "FRAME_LONG_PX", "BallSample", "PaddleSample", "Shoot"]

CROP_PX = 320
BODY_HEIGHTS = 1.2
"""Side of a crop round a hand, in body heights."""
FRAME_LONG_PX = 1280
"""Longer side of the frames that the ball net sees; larger recordings are shrunk to it."""

_SEEN, _HIDDEN = 0.4, 0.1
_MOST_BALLS, _MOST_PADDLES = 8, 3
_LEAST_CONTRAST = 5.0  # grey levels; what is fainter is no fair question


@dataclass(frozen=True)
class PaddleSample:
    """A crop (320, 320, 3) uint8 BGR and the paddles in it.

    ``kinds`` (n,), ``boxes`` (n, 4) x0 y0 x1 y1, ``keypoints`` (n, 5, 3) in crop pixels, and
    ``cosines`` (n,) between the front face's normal and the way to the eye.
    """

    picture: np.ndarray
    kinds: np.ndarray
    boxes: np.ndarray
    keypoints: np.ndarray
    cosines: np.ndarray


@dataclass(frozen=True)
class BallSample:
    """A tile (320, 320, 3) uint8, grey frames before, now and after, and the moving balls in it.

    ``boxes`` (n, 4) and ``ends`` (n, 2, 2), the streak's start and end, in tile pixels, and
    ``radii`` (n,).
    """

    picture: np.ndarray
    boxes: np.ndarray
    ends: np.ndarray
    radii: np.ndarray


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
            now = instant(self._staging, self.view, self._rng)
            middle = self._equipped(now.world(now.frame_s[1:2]))
            self._cutouts.draw(middle, 0, [h != "nothing" for h in self._holds])
            table = self._cutouts.read(1, self._cutouts.whole)
            frames = np.stack([self._picture(now, k) for k in range(3)])
            labels = self._paddle_labels(middle, table, flat=False)
            yield from self._paddle_samples(frames, middle, labels)
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
            if self._rng.uniform() < 0.15:
                sides.append("left" if hitting == "right" else "right")
            for side in sides:
                hand = player.body.landmark(f"{side}_hand", *joints)[0]
                pixel = camera.project(hand)
                distance = float(camera.in_camera(hand)[2])
                if distance < 0.8 or not np.isfinite(pixel).all():
                    continue
                height = camera.focal_px * player.body.spec.height_m / distance
                side_px = BODY_HEIGHTS * height * np.exp(self._rng.normal(-0.03, 0.16))
                pixel = pixel + self._rng.normal(0, 0.05, 2) * side_px
                width, tall = camera.size_px
                if 0 <= pixel[0] < width and 0 <= pixel[1] < tall and side_px > 60:
                    squares.append(Square(centre_px=tuple(pixel), side_px=float(side_px)))
        return squares

    def _paddle_samples(self, frames, middle: Moments, labels) -> Iterator[PaddleSample]:
        for square in self._hand_squares(middle, self.camera):
            picture = self._spoiled_crop(frames[:2], square)
            sample = _paddle_sample(picture, square, labels)
            if sample is not None:
                yield sample
        if self._rng.uniform() < 0.12:
            width, height = self.camera.size_px
            square = Square(
                centre_px=tuple(self._rng.uniform(0, 1, 2) * [width, height]),
                side_px=float(self._rng.uniform(80, 420)),
            )
            sample = _paddle_sample(self._spoiled_crop(frames[:2], square), square, labels)
            if sample is not None:
                yield sample

    def _spoiled_crop(self, frames: np.ndarray, square: Square) -> np.ndarray:
        x, y = square.centre_px
        half = square.side_px / 2 + 4
        height, width = frames.shape[1:3]
        x0, x1 = max(0, int(x - half)), min(width, int(x + half) + 2)
        y0, y1 = max(0, int(y - half)), min(height, int(y + half) + 2)
        part = frames[:, y0:y1, x0:x1]
        if self._rng.uniform() < 0.5:
            part = part[1:]
        part = spoil_frames(spoil_colours(part, self._rng), self._rng)[-1]
        moved = Square(centre_px=(x - x0, y - y0), side_px=square.side_px)
        return cut(part, moved, CROP_PX)

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
            own = Square(centre_px=((side - 1) / 2, (side - 1) / 2), side_px=float(side))
            sample = _paddle_sample(cut(picture, own, CROP_PX), whole, labels)
            if sample is not None:
                yield sample
        if self._rng.uniform() < 0.3:
            piece = self._photographs.piece(CROP_PX, self._rng)[None]
            yield _empty(spoil_frames(spoil_colours(piece, self._rng), self._rng)[0])

    def _cutout(self, now: Instant, box) -> tuple[np.ndarray, np.ndarray]:
        """Light (BGR, linear) and coverage of the moving things over one exposure."""
        ends = now.world(now.frame_s[1] + np.array([-0.5, 0.5]) * self.view.shutter_s)
        travel = [
            np.linalg.norm(np.diff(self._cutouts.pixels(butt + 0.4 * turn[..., 1])[0], axis=0))
            for butt, turn in ends.paddles
        ]
        count = int(np.clip(np.nanmax(travel) / 2.5 + 2, 4, 14))
        shares = (np.arange(count) + 0.5) / count - 0.5
        moments = self._equipped(now.world(now.frame_s[1] + shares * self.view.shutter_s))
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
        wanted = [b["middle"] for b in balls if b["shown"] and b["seen"] >= _SEEN]
        wanted = [wanted[k] for k in self._rng.permutation(len(wanted))[:2]]
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
            shown = [b for b in near if b["shown"] and b["seen"] >= _SEEN]
            sample = self._ball_tile(part, shown, np.array([x, y]), tile)
            if all(_stands_out(sample.picture, box) for box in sample.boxes):
                yield sample

    def _balls(self, now: Instant, table: np.ndarray) -> list[dict]:
        half = self.view.shutter_s / 2
        places = now.world(now.frame_s[1] + np.array([-half, 0, half])).balls_m
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
            moved = float(np.linalg.norm(way[2] - way[0]))
            still = moved < 1e-3
            label["shown"] = bool(now.flying[k])
            scale = min(1.0, FRAME_LONG_PX / max(self.camera.size_px))
            small = label["radius"] * scale < 1.1
            partly = _HIDDEN < label["seen"] < _SEEN
            carried = not now.flying[k] and not still and label["seen"] > _HIDDEN
            label["doubtful"] = carried or (bool(now.flying[k]) and (partly or small))
            found.append(label)
        return found

    def _ball_tile(self, part: np.ndarray, shown: list[dict], corner, tile: int) -> BallSample:
        rng = self._rng
        part = part.copy()
        factor = CROP_PX / tile
        painted = Painted()
        if len(self._photographs) and rng.uniform() < 0.12:
            part = np.stack([self._photographs.piece(tile, rng)] * 3)
            shown = []
        if rng.uniform() < 0.35:
            paint_distractors(part, rng)
            # What was painted may hide a ball of the scene: such tiles keep painted balls only.
            if shown:
                part, shown = part[[0, 0, 0]].copy(), []
        if rng.uniform() < (0.25 if shown else 0.55):
            painted = paint_balls(part, rng, count=int(rng.integers(1, 4)))
        part = spoil_colours(part, rng)
        if factor != 1:
            part = np.stack(
                [cv2.resize(f, (CROP_PX, CROP_PX), interpolation=cv2.INTER_AREA) for f in part]
            )
        part = spoil_frames(part, rng)
        moved = rng.normal(0, 0.7, (3, 2)) * (rng.uniform() < 0.25)
        moved[1] = 0
        grey = [cv2.cvtColor(f, cv2.COLOR_BGR2GRAY) for f in part]
        for k in (0, 2):
            if moved[k].any():
                matrix = np.array([[1, 0, moved[k, 0]], [0, 1, moved[k, 1]]])
                grey[k] = cv2.warpAffine(
                    grey[k], matrix, (CROP_PX, CROP_PX), borderMode=cv2.BORDER_REPLICATE
                )
        ends = [b["ends"] - corner for b in shown] + [b["ends"] for b in painted]
        radii = [b["radius"] for b in shown] + [b["radius"] for b in painted]
        ends = ((np.array(ends).reshape(-1, 2, 2) + 0.5) * factor - 0.5)[:_MOST_BALLS]
        radii = np.array(radii)[:_MOST_BALLS] * factor
        return BallSample(np.stack(grey, axis=-1), ball_boxes(ends, radii), ends, radii)


def ball_boxes(ends: np.ndarray, radii: np.ndarray) -> np.ndarray:
    """(n, 4) boxes x0 y0 x1 y1 round streaks, at least 8 pixels a side."""
    if not len(ends):
        return np.zeros((0, 4))
    low = ends.min(axis=1) - radii[:, None] - 1
    high = ends.max(axis=1) + radii[:, None] + 1
    grow = np.maximum(8 - (high - low), 0) / 2
    return np.concatenate([low - grow, high + grow], axis=1)


def _stands_out(frames: np.ndarray, box: np.ndarray) -> bool:
    """True when the middle frame differs from both others where the ball is, beyond the noise."""
    x0, y0, x1, y1 = np.clip(np.round(box), 0, CROP_PX - 1).astype(int)
    part = frames[y0 : y1 + 1, x0 : x1 + 1].astype(float)
    soft = np.stack([cv2.blur(part[..., k], (2, 2)) for k in range(3)])
    return bool(np.abs(soft[1] - (soft[0] + soft[2]) / 2).max() >= _LEAST_CONTRAST)


def _inside(point: np.ndarray, x: int, y: int, tile: int, *, margin: float) -> bool:
    return bool(
        -margin <= point[0] - x <= tile + margin and -margin <= point[1] - y <= tile + margin
    )


def _empty(picture: np.ndarray) -> PaddleSample:
    return PaddleSample(
        picture, np.zeros(0, int), np.zeros((0, 4)), np.zeros((0, 5, 3)), np.zeros(0)
    )


def _paddle_sample(picture: np.ndarray, square: Square, labels: list[dict]) -> PaddleSample | None:
    """The crop with its paddles; None when one is half hidden or half outside."""
    matrix = square.matrix(CROP_PX)
    kept = []
    for label in labels:
        keypoints = label["keypoints"].copy()
        keypoints[:, :2] = keypoints[:, :2] * matrix[0, 0] + matrix[:, 2]
        inside = ((keypoints[:, :2] >= 0) & (keypoints[:, :2] <= CROP_PX - 1)).all(axis=1)
        if not inside.any() or label["seen"] < _HIDDEN:
            continue
        if inside.mean() < 0.6 or label["seen"] < _SEEN:
            return None
        keypoints[~inside, 2] = 0
        box = (label["box"].reshape(2, 2) * matrix[0, 0] + matrix[:, 2]).reshape(4)
        kept.append((label["kind"], np.clip(box, 0, CROP_PX - 1), keypoints, label["cosine"]))
    if not kept:
        return _empty(picture)
    kinds, boxes, keypoints, cosines = zip(*kept[:_MOST_PADDLES], strict=True)
    return PaddleSample(
        picture, np.array(kinds), np.stack(boxes), np.stack(keypoints), np.array(cosines)
    )
