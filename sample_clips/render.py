"""Pictures of runners in a place."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sample_clips import camera as cam
from sample_clips import kernels, scene
from sample_clips.figure import figure
from sample_clips.gait import Gait
from sample_clips.motion import Pose, pose, solved
from sample_clips.runner import Runner
from sample_clips.spec import ClipSpec
from sample_clips.truth import camera_angles, scene_points

FloatArray = NDArray[np.float64]
Float32Array = NDArray[np.float32]
Picture8 = NDArray[np.uint8]
_SUPERSAMPLING = 2


def frames(spec: ClipSpec, first: int = 0, last: int | None = None, every: int = 1) -> Iterator[Picture8]:
    """Upright RGB pictures (H, W, 3) of a clip, one after the other.

    Parameters
    ----------
    spec : ClipSpec
    first, last, every : int
        Which frames; all by default.
    """
    c, look = spec.camera, spec.picture
    gaits = [solved(r) for r in spec.runners]
    numbers = np.arange(first, spec.frames if last is None else min(last, spec.frames), every)
    times = numbers / spec.capture_rate_hz
    samples = max(1, look.blur_samples)
    spread = ((np.arange(samples) + 0.5) / samples - 0.5 if samples > 1 else np.zeros(1)) * look.shutter_s
    moments = (times[:, None] + spread).ravel()
    turns = camera_angles(spec, gaits[0], moments)
    rotations = cam.axes(turns)
    view = _panorama(spec, camera_angles(spec, gaits[0], np.arange(spec.frames) / spec.capture_rate_hz))
    poses = [pose(g, moments) for g in gaits]
    fixed = c.pan == "still" and c.shake_deg == 0
    still: Float32Array | None = None
    rng = np.random.default_rng(look.seed)
    noise = (look.noise * rng.standard_normal(4_000_037)).astype(np.float32)
    table = _grey_levels(look.contrast)
    for n in range(len(numbers)):
        total: Float32Array | None = None
        for s in range(samples):
            m = n * samples + s
            if still is None or not fixed:
                still = np.empty((c.height, c.width, 3), dtype=np.float32)
                kernels.from_panorama(
                    view.colour, view.azimuth0, view.elevation0, view.per_rad, rotations[m], c.focal_px,
                    c.width / 2, c.height / 2, still,
                )  # fmt: skip
            image = still.copy()
            if spec.place == "treadmill room":
                scene.draw_belt(
                    image, rotations[m], c.position, c.focal_px, c.width / 2, c.height / 2,
                    spec.runners[0].speed_mps * moments[m],
                )  # fmt: skip
            _draw_people(spec, gaits, poses, m, rotations[m], image)
            total = image if total is None else total + image
        assert total is not None
        out = np.empty((c.height, c.width, 3), dtype=np.uint8)
        shift = int(rng.integers(len(noise)))
        kernels.to_bytes(total, noise, shift, table, look.brightness / samples, out)
        yield out


def _grey_levels(contrast: float) -> Float32Array:
    """Grey level (plus one half, for rounding) of light 0..1 in even steps."""
    level = 255.0 * np.linspace(0.0, 1.0, 8192) ** (1 / 2.2)
    return (128.0 + (level - 128.0) * contrast + 0.5).astype(np.float32)


def _panorama(spec: ClipSpec, turns: FloatArray) -> scene.Panorama:
    c = spec.camera
    half_w = np.arctan(c.width / 2 / c.focal_px)
    half_h = np.arctan(c.height / 2 / c.focal_px)
    reach = np.hypot(np.tan(half_w), np.tan(half_h))
    roll = float(np.abs(turns[:, 2]).max())
    wide = half_w + np.sin(roll) * np.arctan(reach) + 0.04
    tall = half_h + np.sin(roll) * np.arctan(reach) + 0.04
    azimuth = (float(turns[:, 0].min() - wide), float(turns[:, 0].max() + wide))
    elevation = (float(turns[:, 1].min() - tall), float(turns[:, 1].max() + tall))
    return scene.panorama(spec.place != "track", c.position, azimuth, elevation, c.focal_px * 1.1)


def _sun(spec: ClipSpec) -> FloatArray:
    a, h = np.radians(spec.picture.sun_deg), np.radians(spec.picture.sun_height_deg)
    return np.array([np.cos(a) * np.cos(h), np.sin(h), np.sin(a) * np.cos(h)])


def _draw_people(
    spec: ClipSpec, gaits: list[Gait], poses: list[Pose], m: int, rotation: FloatArray, image: Float32Array
) -> None:
    c = spec.camera
    eye, f = c.position, c.focal_px
    sun = _sun(spec)
    rows = []
    for g, p in zip(gaits, poses, strict=True):
        r = g.runner
        sign = 1.0 if r.direction == "right" else -1.0
        prims = figure(r, p, m)
        turn = np.array([sign, 1.0, sign])
        prims[:, 0:9] = (prims[:, 0:9].reshape(-1, 3, 3) * turn).reshape(-1, 9)
        prims[:, 9:12] = scene_points(r, prims[:, 9:12])
        rows.append(prims)
        _shadow(spec, r, {k: v[m] for k, v in p.points.items()}, rotation, sun, image)
    for prims in sorted(rows, key=lambda q: float(q[:, 11].mean())):
        prims = prims[np.argsort((prims[:, 9:12] - eye) @ rotation[2])]  # near first: less overdraw
        boxes = _boxes(prims, rotation, eye, f, c.width, c.height)
        x0, y0 = max(0, int(boxes[:, 0].min())), max(0, int(boxes[:, 1].min()))
        x1, y1 = min(c.width, int(boxes[:, 2].max()) + 2), min(c.height, int(boxes[:, 3].max()) + 2)
        if x0 >= x1 or y0 >= y1:
            continue
        ss = _SUPERSAMPLING
        depth = np.full(((y1 - y0) * ss, (x1 - x0) * ss), 1e9, dtype=np.float32)
        colour = np.empty((*depth.shape, 3), dtype=np.float32)
        sky = 0.55 if spec.place == "track" else 0.75
        kernels.draw_body(
            prims, boxes, rotation, eye, f, c.width / 2, c.height / 2, ss, x0, y0, depth, colour, sun, sky
        )
        kernels.merge_body(image, depth, colour, ss, x0, y0)


def _boxes(
    prims: FloatArray, rotation: FloatArray, eye: FloatArray, focal: float, width: int, height: int
) -> FloatArray:
    """Picture boxes (x0, y0, x1, y1) that hold each round cone."""
    own = prims[:, 0:9].reshape(-1, 3, 3)
    # rows are an orthogonal frame divided by its stretches
    back = np.swapaxes(own / (own**2).sum(axis=2, keepdims=True), 1, 2)
    stretch = np.linalg.norm(back, axis=1).max(axis=1)
    lows, highs = [], []
    for ends, radius in ((slice(12, 15), 18), (slice(15, 18), 19)):
        centre = prims[:, 9:12] + np.einsum("nij,nj->ni", back, prims[:, ends])
        local = (centre - eye) @ rotation.T
        depth = np.maximum(local[:, 2], 0.2)
        xy = focal * local[:, :2] / depth[:, None] + np.array([width / 2, height / 2])
        margin = (1.08 * focal * prims[:, radius] * stretch / depth + 1.0)[:, None]
        xy[local[:, 2] < 0.2] = -1e5
        lows.append(xy - margin)
        highs.append(xy + margin)
    return np.hstack([np.minimum(*lows), np.maximum(*highs)])


def _shadow(
    spec: ClipSpec,
    runner: Runner,
    points: dict[str, FloatArray],
    rotation: FloatArray,
    sun: FloatArray,
    image: Float32Array,
) -> None:
    """Soft shadow of a person on the ground."""
    c = spec.camera
    blobs = []
    names = [("head", 0.13), ("chest", 0.2), ("pelvis", 0.18)]
    for side in ("left", "right"):
        names += [
            (f"{side}_knee", 0.11),
            (f"{side}_ankle", 0.09),
            (f"{side}_ball", 0.08),
            (f"{side}_elbow", 0.09),
        ]
        names += [(f"{side}_hip", 0.14), (f"{side}_wrist", 0.08)]
    for name, radius in names:
        q = scene_points(runner, points[name][None])[0]
        h = max(q[1], 0.0)
        away = -sun[[0, 2]] / sun[1] * h
        size = radius * (1.0 + 0.3 * h)
        blobs.append([q[0] + away[0], q[2] + away[1], size, size, 0.42 / (1.0 + 0.5 * h)])
        if name.endswith(("ankle", "ball")):
            blobs.append([q[0], q[2], 0.12, 0.09, 0.55 * float(np.exp(-8.0 * h))])
    table = np.array(blobs)
    corners = np.array(
        [
            [x, 0.0, z]
            for x in (table[:, 0].min() - 0.6, table[:, 0].max() + 0.6)
            for z in (table[:, 1].min() - 0.6, table[:, 1].max() + 0.6)
        ]
    )
    local = (corners - c.position) @ rotation.T
    if (local[:, 2] < 0.3).any():
        return
    xy = c.focal_px * local[:, :2] / local[:, 2:] + np.array([c.width / 2, c.height / 2])
    x0, y0 = np.maximum(np.floor(xy.min(axis=0)), 0).astype(int)
    x1, y1 = np.minimum(np.ceil(xy.max(axis=0)), [c.width, c.height]).astype(int)
    if x0 < x1 and y0 < y1:
        kernels.shade_ground(
            image, rotation, c.position, c.focal_px, c.width / 2, c.height / 2, table, x0, y0, x1, y1,
            0.75 if spec.place == "track" else 0.45, 0.0,
        )  # fmt: skip
