"""Drawing on a frame: the skeleton, and each measure where it is measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from shared import landmarks as lm
from shared.landmarks import Side
from shared.track import Track
from ui import look

Point = tuple[float, float]
XY = Sequence[float] | NDArray[np.float64]

BONES: Final[tuple[tuple[str, str], ...]] = (
    ("shoulder", "elbow"),
    ("elbow", "wrist"),
    ("hip", "knee"),
    ("knee", "ankle"),
    ("ankle", "heel"),
    ("heel", "foot_index"),
    ("ankle", "foot_index"),
)
JOINTS: Final = ("elbow", "wrist", "knee", "ankle", "heel", "foot_index")
BRIDGE_S: Final = 0.011
"""Two landmarks so far apart in time are joined by a straight line, to draw and never to measure."""
SUPERSAMPLE: Final = 2
"""Pillow draws without smoothing; lines are drawn this many times larger and scaled down."""


@lru_cache
def font(size: int) -> ImageFont.FreeTypeFont:
    """The picture font at a size in px."""
    return ImageFont.truetype(str(look.font_folder() / "DejaVuSans-Bold.ttf"), size)


@dataclass
class Canvas:
    """A picture with a transparent layer above it, drawn larger and scaled down at the end.

    Attributes
    ----------
    picture : PIL image, RGB
    origin : (x, y)
        Upright frame px of the picture's top left corner.
    zoom : float
        Picture px per frame px.
    thickness : float
        Line width in picture px.
    """

    picture: Image.Image
    origin: Point = (0.0, 0.0)
    zoom: float = 1.0
    thickness: float = 3.0

    def __post_init__(self) -> None:
        width, height = self.picture.size
        self._layer = Image.new("RGBA", (width * SUPERSAMPLE, height * SUPERSAMPLE), (0, 0, 0, 0))
        self._pen = ImageDraw.Draw(self._layer)

    def at(self, p: XY) -> Point:
        """Layer position of a point in frame px."""
        k = self.zoom * SUPERSAMPLE
        return ((float(p[0]) - self.origin[0]) * k, (float(p[1]) - self.origin[1]) * k)

    def line(self, a: XY, b: XY, colour: str, width: float = 1.0, dash: bool = False) -> None:
        """A line with a dark rim, so that it shows on light and dark grounds."""
        if not (np.isfinite(a).all() and np.isfinite(b).all()):
            return
        pa, pb = self.at(a), self.at(b)
        w = max(1, round(self.thickness * width * SUPERSAMPLE))
        pieces = dashes(pa, pb, 4.0 * w, 2.5 * w) if dash else [(pa, pb)]
        for p, q in pieces:
            self._pen.line([p, q], fill=(0, 0, 0, 150), width=w + 2 * SUPERSAMPLE)
        for p, q in pieces:
            self._pen.line([p, q], fill=colour, width=w)

    def dot(self, p: XY, colour: str, radius: float = 1.2) -> None:
        """A filled joint mark."""
        if not np.isfinite(p).all():
            return
        x, y = self.at(p)
        r = self.thickness * radius * SUPERSAMPLE
        self._pen.ellipse(
            [x - r, y - r, x + r, y + r], fill=colour, outline=(0, 0, 0, 200), width=SUPERSAMPLE
        )

    def arc(self, vertex: XY, towards_a: Point, towards_b: Point, radius: float, colour: str) -> None:
        """The smaller arc between two directions at a vertex; `radius` in frame px."""
        if not np.isfinite(vertex).all():
            return
        a = math.degrees(math.atan2(towards_a[1], towards_a[0]))
        b = math.degrees(math.atan2(towards_b[1], towards_b[0]))
        if (b - a) % 360 > 180:
            a, b = b, a
        x, y = self.at(vertex)
        r = radius * self.zoom * SUPERSAMPLE
        box = [x - r, y - r, x + r, y + r]
        end = a + (b - a) % 360
        self._pen.pieslice(box, a, end, fill=(*rgb(colour), 90))
        self._pen.arc(box, a, end, fill=colour, width=max(1, round(self.thickness * SUPERSAMPLE * 0.9)))

    def label(self, p: XY, text: str, colour: str, size: int = 30) -> None:
        """Text on a dark plate, kept inside the picture; `p` is its middle left, frame px."""
        if not np.isfinite(p).all():
            return
        x, y = self.at(p)
        f = font(size * SUPERSAMPLE)
        left, top, right, bottom = f.getbbox(text)
        w, h = right - left, bottom - top
        pad = 5 * SUPERSAMPLE
        width, height = self._layer.size
        x = min(max(x, pad), max(pad, width - w - 2 * pad))
        y = min(max(y, h), height - h)
        self._pen.rounded_rectangle(
            [x - pad, y - h / 2 - pad, x + w + pad, y + h / 2 + pad], radius=pad, fill=(13, 20, 26, 225)
        )
        self._pen.text((x - left, y - h / 2 - top), text, font=f, fill=colour)

    def finished(self) -> Image.Image:
        """The picture with everything drawn on it, RGB."""
        small = self._layer.resize(self.picture.size, Image.Resampling.BOX)
        out = self.picture.convert("RGBA")
        out.alpha_composite(small)
        return out.convert("RGB")


def rgb(colour: str) -> tuple[int, int, int]:
    """Red, green and blue 0..255 of a colour written as #RRGGBB."""
    return (int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16))


def dashes(a: Point, b: Point, on: float, off: float) -> list[tuple[Point, Point]]:
    """The dashes of a line: `on` px drawn, `off` px left out, from its beginning."""
    length = math.dist(a, b)
    if length < 1e-6:
        return []
    ux, uy = (b[0] - a[0]) / length, (b[1] - a[1]) / length
    pieces = []
    start = 0.0
    while start < length:
        end = min(start + on, length)
        pieces.append(((a[0] + ux * start, a[1] + uy * start), (a[0] + ux * end, a[1] + uy * end)))
        start = end + off
    return pieces


Place = NDArray[np.float64]


@dataclass(frozen=True)
class Layer:
    """Lines and joint marks of one look.

    Attributes
    ----------
    bones : list of pairs of (2,) arrays
        Px; NaN where a point is not known.
    joints : list of (2,) arrays
    colour : str
    width : float
        Of the lines, over that of a near limb.
    dashed : bool
    """

    bones: list[tuple[Place, Place]]
    joints: list[Place]
    colour: str
    width: float
    dashed: bool


def skeleton(xy: NDArray[np.float64], near: Side) -> list[Layer]:
    """What is drawn of a body, from behind to the front: far limbs dashed and thin, near limbs, trunk.

    Parameters
    ----------
    xy : (33, 2) array
        Px; NaN points stay NaN.
    near : {"left", "right"}
    """

    def limbs(side: Side, colour: str, width: float, dashed: bool) -> Layer:
        bones = [(xy[lm.index(a, side)], xy[lm.index(b, side)]) for a, b in BONES]
        return Layer(bones, [xy[lm.index(joint, side)] for joint in JOINTS], colour, width, dashed)

    hips, shoulders = middle(xy, "hip"), middle(xy, "shoulder")
    return [
        limbs(lm.opposite(near), look.FAR_ON_PICTURE, 0.75, True),
        limbs(near, look.NEAR_ON_PICTURE, 1.0, False),
        Layer([(hips, shoulders)], [hips, shoulders], look.TRUNK_ON_PICTURE, 1.0, False),
    ]


def draw_skeleton(canvas: Canvas, xy: NDArray[np.float64], near: Side, strong: bool = True) -> None:
    """Trunk, near and far limbs of one frame.

    Parameters
    ----------
    xy : (33, 2) array
        Upright frame px; NaN points are left out.
    near : {"left", "right"}
        Near limbs are solid and thick, far limbs dashed and thin.
    strong : bool
        False draws thinner, for pictures in which one angle is the subject.
    """
    scale = 1.0 if strong else 0.6
    for layer in skeleton(xy, near):
        for a, b in layer.bones:
            canvas.line(a, b, layer.colour, layer.width * scale, layer.dashed)
        for joint in layer.joints:
            canvas.dot(joint, layer.colour, scale)


def points_at(track: Track, frame: int) -> NDArray[np.float64] | None:
    """The landmarks to draw on a frame.

    Parameters
    ----------
    track : Track
    frame : int
        Decoded frame number.

    Returns
    -------
    (33, 2) array or None
        Upright frame px. Where the clip has more pictures than were looked at, a picture between two
        that were gets the straight line between; none where the nearest are further apart.
    """
    after = int(np.searchsorted(track.frame, frame))
    if after < len(track.frame) and track.frame[after] == frame:
        seen: NDArray[np.float64] = track.xy_px[after]
        return seen
    if not 0 < after < len(track.frame):
        return None
    first, last = int(track.frame[after - 1]), int(track.frame[after])
    if last - first > max(2.0, BRIDGE_S * track.clip.capture_rate_hz):
        return None
    share = (frame - first) / (last - first)
    between: NDArray[np.float64] = (1 - share) * track.xy_px[after - 1] + share * track.xy_px[after]
    return between


def middle(xy: NDArray[np.float64], joint: str) -> NDArray[np.float64]:
    """Mean of the left and right point of a joint, (2,) px."""
    both: NDArray[np.float64] = 0.5 * (xy[lm.index(joint, "left")] + xy[lm.index(joint, "right")])
    return both


def local_axes(xy: NDArray[np.float64], world: NDArray[np.float64]) -> tuple[Point, Point]:
    """Where forward and down point in the picture, at one moment.

    Taken from the landmarks themselves, whose world and picture positions are both known; so it
    holds whatever roll, turn or perspective was taken out between the two.

    Parameters
    ----------
    xy : (33, 2) array
        Upright frame px, y down.
    world : (33, 2) array
        World px, x forward, y up.

    Returns
    -------
    forward, down : (x, y)
        Unit vectors in the picture.
    """
    seen = np.isfinite(xy).all(axis=1) & np.isfinite(world).all(axis=1)
    if seen.sum() < 3:
        return (1.0, 0.0), (0.0, 1.0)
    flat = world[seen] - world[seen].mean(axis=0)
    matrix, *_ = np.linalg.lstsq(flat, xy[seen] - xy[seen].mean(axis=0), rcond=None)
    forward, up = matrix[0], matrix[1]
    return _unit(forward), _unit(-up)


def draw_measure(
    canvas: Canvas,
    key: str,
    xy: NDArray[np.float64],
    side: Side,
    axes: tuple[Point, Point],
    text: str,
) -> bool:
    """Draw one measure on the frame it was read from.

    Parameters
    ----------
    key : str
        Measure key; see `shared.catalogue`.
    xy : (33, 2) array
        Upright frame px.
    side : {"left", "right"}
    axes : (forward, down)
        Unit vectors in the picture; see `local_axes`.
    text : str
        The value to write beside it.

    Returns
    -------
    bool
        False if this measure has no drawing (a time, for instance).
    """
    ahead, down = axes
    sign = 1.0 if ahead[0] >= 0 else -1.0
    up = (-down[0], -down[1])

    def point(joint: str) -> NDArray[np.float64]:
        found: NDArray[np.float64] = xy[lm.index(joint, side)]
        return found

    reach = float(np.hypot(*(middle(xy, "shoulder") - middle(xy, "hip"))))
    if not math.isfinite(reach) or reach <= 0:
        return False
    radius = 0.42 * reach
    colour = look.NEAR_ON_PICTURE

    def between(
        vertex: NDArray[np.float64],
        a: Point,
        b: Point,
        reference: Point | None,
        limb: Sequence[NDArray[np.float64]],
    ) -> None:
        if not np.isfinite([vertex, *limb]).all():
            return
        for end in limb:
            canvas.line(vertex, end, colour, 1.2)
        if reference is not None:
            tip = (vertex[0] + reference[0] * 0.8 * reach, vertex[1] + reference[1] * 0.8 * reach)
            canvas.line(vertex, tip, look.TRUNK_ON_PICTURE, 0.6, dash=True)
        canvas.arc(vertex, a, b, radius, colour)
        canvas.label(
            (vertex[0] + ahead[0] * radius * 1.25 - (0 if sign > 0 else 0.9 * reach), vertex[1]), text, colour
        )

    if key.startswith("thigh_angle"):
        hip, knee = point("hip"), point("knee")
        between(hip, _to(hip, knee), down, down, [knee])
    elif key.startswith("trunk_lean"):
        hip, shoulder = middle(xy, "hip"), middle(xy, "shoulder")
        between(hip, _to(hip, shoulder), up, up, [shoulder])
    elif key.startswith("knee_flexion"):
        hip, knee, ankle = point("hip"), point("knee"), point("ankle")
        straight = _to(hip, knee)
        between(knee, straight, _to(knee, ankle), straight, [hip, ankle])
    elif key == "shank_angle_td":
        knee, ankle = point("knee"), point("ankle")
        between(knee, _to(knee, ankle), down, down, [ankle])
    elif key in ("foot_angle_td", "strike_pattern"):
        heel, toe = point("heel"), point("foot_index")
        between(heel, _to(heel, toe), ahead, ahead, [toe])
    elif key.startswith("elbow_angle"):
        shoulder, elbow, wrist = point("shoulder"), point("elbow"), point("wrist")
        between(elbow, _to(elbow, shoulder), _to(elbow, wrist), None, [shoulder, wrist])
    elif key.startswith("arm_swing"):
        shoulder, elbow = point("shoulder"), point("elbow")
        trunk = _to(middle(xy, "shoulder"), middle(xy, "hip"))
        between(shoulder, _to(shoulder, elbow), trunk, trunk, [elbow])
    elif key.startswith("td_distance"):
        hip, ankle = middle(xy, "hip"), point("ankle")
        fall = (ankle - hip) @ np.array(down)
        foot = hip + fall * np.array(down)
        canvas.line(hip, foot, look.TRUNK_ON_PICTURE, 0.6, dash=True)
        canvas.line(foot, ankle, colour, 1.4)
        canvas.dot(ankle, colour)
        canvas.label(0.5 * (foot + ankle) + np.array([-0.3 * reach, 0.28 * reach]), text, colour)
    elif key == "hand_height_front":
        eye, shoulder, wrist = point("eye"), point("shoulder"), point("wrist")
        for level, c in ((eye, look.TRUNK_ON_PICTURE), (shoulder, look.TRUNK_ON_PICTURE), (wrist, colour)):
            side_step = np.array(ahead) * 0.9 * reach
            canvas.line(level - 0.2 * side_step, level + side_step, c, 0.8, dash=c != colour)
        canvas.label(wrist + np.array([0.15 * reach, -0.15 * reach]), text, colour)
    elif key.startswith("hand_past_hip"):
        hip, wrist = middle(xy, "hip"), point("wrist")
        level = hip + ((wrist - hip) @ np.array(ahead)) * np.array(ahead)
        canvas.line(hip, level, colour, 1.4)
        canvas.line(level, wrist, look.TRUNK_ON_PICTURE, 0.6, dash=True)
        canvas.label(level + np.array([-0.3 * reach, 0.25 * reach]), text, colour)
    else:
        return False
    return True


def _to(a: NDArray[np.float64], b: NDArray[np.float64]) -> Point:
    return _unit(b - a)


def _unit(d: NDArray[np.float64]) -> Point:
    length = float(np.hypot(*d)) or 1.0
    return (float(d[0]) / length, float(d[1]) / length)
