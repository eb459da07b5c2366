"""The invented places a runner is filmed in, as a panorama seen from the camera."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numba as nb
import numpy as np
from numpy.typing import NDArray

from sample_clips.kernels import _hash, layered, value_noise

Float32Array = NDArray[np.float32]
FloatArray = NDArray[np.float64]

LANE_M: Final[float] = 1.22
"""Width of a running lane (World Athletics technical rules, from memory)."""
FLOOR_BELOW_BELT_M: Final[float] = 0.16


@dataclass(frozen=True)
class Panorama:
    """Linear colours over azimuth (right positive from -Z) and elevation.

    Attributes
    ----------
    colour : (H, W, 3) float32 array
    azimuth0, elevation0 : float
        Left and top edge, rad.
    per_rad : float
        px per rad.
    """

    colour: Float32Array
    azimuth0: float
    elevation0: float
    per_rad: float


@nb.njit(cache=True)
def _track_colour(o, d):  # type: ignore[no-untyped-def]
    """Colour seen along a ray from `o` in direction `d` on the track."""
    r, g, b = 0.0, 0.0, 0.0
    dn = math.sqrt(d[0] ** 2 + d[1] ** 2 + d[2] ** 2)
    # sky
    el = d[1] / dn
    az = math.atan2(d[0], -d[2])
    cloud = layered(3.0 * az + 7.0, 9.0 * el, 3, 5)
    c = min(max((cloud - 0.45) * 3.0, 0.0), 1.0)
    r = 0.30 * (1 - c) + 0.78 * c
    g = 0.48 * (1 - c) + 0.80 * c
    b = 0.80 * (1 - c) + 0.83 * c
    if d[2] < -1e-6:
        # far hills, buildings, trees, hedge, fence: upright sheets from far to near
        for sheet in range(5):
            z = (-90.0, -45.0, -26.0, -14.0, -9.0)[sheet]
            t = (z - o[2]) / d[2]
            if t <= 0:
                continue
            x = o[0] + t * d[0]
            y = o[1] + t * d[1]
            if sheet == 0:
                top = 6.0 + 5.0 * layered(0.03 * x, 0.0, 5, 3)
                if y < top:
                    n = layered(0.3 * x, 0.6 * y, 15, 3)
                    r, g, b = 0.10 + 0.10 * n, 0.17 + 0.12 * n, 0.14 + 0.08 * n
            elif sheet == 1:
                k = math.floor(x / 11.0)
                tall = 5.0 + 7.0 * _hash(int(k), 3, 25)
                inside = x - 11.0 * k
                if y < tall and 0.8 < inside < 9.6 and _hash(int(k), 9, 31) > 0.3:
                    tone = 0.25 + 0.35 * _hash(int(k), 4, 26)
                    r, g, b = tone, tone * 0.93, tone * 0.84
                    wx, wy = inside % 1.5, y % 2.4
                    if 0.4 < wx < 1.1 and 0.8 < wy < 1.9:
                        lit = 0.05 + 0.25 * _hash(int(inside / 1.5) + 17 * int(k), int(y / 2.4), 28)
                        r, g, b = lit, lit * 1.05, lit * 1.2
                    grit = 0.9 + 0.2 * value_noise(6.0 * x, 6.0 * y, 29)
                    r, g, b = r * grit, g * grit, b * grit
            elif sheet == 2:
                k = math.floor(x / 5.0)
                for q in range(-1, 2):
                    kk = int(k) + q
                    if _hash(kk, 1, 41) < 0.25:
                        continue
                    mid = 5.0 * kk + 1.0 + 3.0 * _hash(kk, 2, 42)
                    tall = 3.6 + 3.4 * _hash(kk, 3, 43)
                    wide = 1.4 + 1.3 * _hash(kk, 4, 44)
                    if abs(x - mid) < 0.16 and y < 0.5 * tall:
                        bark = 0.5 + value_noise(9.0 * x, 3.0 * y, 45)
                        r, g, b = 0.10 * bark, 0.075 * bark, 0.05 * bark
                    uu = (x - mid) / wide
                    vv = (y - 0.66 * tall) / (0.42 * tall)
                    edge = 1.0 + 0.7 * (layered(1.6 * x, 1.6 * y, 46, 4) - 0.5)
                    if uu * uu + vv * vv < edge * edge * 0.85:
                        n = layered(4.0 * x, 4.0 * y, 47, 4)
                        s = 0.35 + 1.3 * n * (0.7 + 0.3 * vv)
                        tint = 0.7 + 0.6 * _hash(kk, 5, 48)
                        r, g, b = 0.10 * s * tint, 0.19 * s, 0.06 * s
            elif sheet == 3:
                top = 1.15 + 0.35 * layered(0.9 * x, 0.0, 51, 4)
                if y < top:
                    n = layered(7.0 * x, 7.0 * y, 52, 4)
                    s = 0.25 + 1.3 * n
                    r, g, b = 0.075 * s, 0.15 * s, 0.055 * s
            else:
                if y < 1.02:
                    post = x % 2.4
                    board = math.floor(x / 4.8)
                    if 0.06 < y < 0.78 and _hash(board, 7, 61) > 0.45:
                        hue = _hash(board, 8, 62)
                        r = 0.15 + 0.6 * _hash(board, 9, 63)
                        g = 0.15 + 0.5 * hue
                        b = 0.2 + 0.5 * _hash(board, 11, 64)
                        ux, uy = (x - 4.8 * board) / 4.8, y / 0.8
                        if layered(9.0 * ux + 13 * hue, 3.0 * uy, 65, 2) > 0.55:
                            r, g, b = 0.75 * r + 0.25, 0.5 * g + 0.35, 0.4 * b + 0.4
                    if post < 0.07 or 0.93 < y < 0.99:
                        r, g, b = 0.55, 0.56, 0.58
                    elif 0.80 < y < 0.93 and ((x + y) % 0.12 < 0.012 or (x - y) % 0.12 < 0.012):
                        r, g, b = 0.4, 0.42, 0.42
    if d[1] < -1e-6:
        t = -o[1] / d[1]
        x = o[0] + t * d[0]
        z = o[2] + t * d[2]
        if z > -9.0 or d[2] >= 0:
            soft = 1.0 / (1.0 + 0.04 * t)
            if -5 * LANE_M < z - LANE_M / 2 < 4 * LANE_M:
                n = layered(2.0 * x, 2.0 * z, 71, 4)
                fine = value_noise(55.0 * x, 55.0 * z, 72)
                s = 0.80 + 0.3 * n + 0.28 * (fine - 0.5) * soft
                worn = layered(0.25 * x, 0.8 * z, 73, 3)
                r, g, b = 0.36 * s, (0.125 + 0.03 * worn) * s, (0.085 + 0.02 * worn) * s
                line = (z - LANE_M / 2) % LANE_M
                if line < 0.025 or line > LANE_M - 0.025:
                    s = 0.62 + 0.3 * value_noise(20.0 * x, 30.0 * z, 74)
                    r, g, b = s, s, 0.97 * s
                # marks across the lanes every 10 m
                if x % 10.0 < 0.05:
                    r, g, b = 0.66, 0.66, 0.62
                elif x % 2.5 < 0.04 and line < 0.22:
                    r, g, b = 0.60, 0.58, 0.20
            else:
                n = layered(1.5 * x, 1.5 * z, 81, 5)
                fine = value_noise(40.0 * x, 22.0 * z, 82)
                s = 0.45 + 0.8 * n + 0.6 * (fine - 0.5) * soft
                r, g, b = 0.105 * s, 0.20 * s, 0.05 * s
    return r, g, b


@nb.njit(cache=True)
def _room_colour(o, d):  # type: ignore[no-untyped-def]
    """Colour seen along a ray in the room with the treadmill (belt surface at y = 0)."""
    floor = -0.16
    r, g, b = 0.55, 0.54, 0.52
    best = 1e9
    if d[2] < -1e-6:
        t = (-2.6 - o[2]) / d[2]
        x = o[0] + t * d[0]
        y = o[1] + t * d[1]
        if y > floor and y < 2.7:
            best = t
            n = layered(1.2 * x, 1.2 * y, 91, 4)
            s = 0.50 + 0.12 * n
            r, g, b = s, 0.98 * s, 0.92 * s
            k = math.floor(x / 1.7)
            ix = x - 1.7 * k
            if 0.95 < y < 1.95 and 0.25 < ix < 1.35:
                pick = _hash(k, 1, 92)
                if pick > 0.5:
                    m = layered(3.0 * ix + 7 * k, 3.0 * y, 93, 4)
                    r = 0.1 + 0.6 * m * _hash(k, 2, 94)
                    g = 0.1 + 0.5 * (1 - m)
                    b = 0.15 + 0.5 * m * (1 - _hash(k, 3, 95))
                else:
                    sky = 0.6 + 0.3 * layered(2.0 * ix, 3.0 * y, 96, 3)
                    r, g, b = 0.75 * sky, 0.85 * sky, 0.95 * sky
                    if abs(ix - 0.8) < 0.025 or abs(y - 1.45) < 0.02:
                        r, g, b = 0.7, 0.7, 0.7
                if ix < 0.29 or ix > 1.31 or y < 0.99 or y > 1.91:
                    r, g, b = 0.14, 0.10, 0.07
            if y < floor + 0.10:
                r, g, b = 0.20, 0.17, 0.14
            if y > 0.2 and (x % 3.4) < 0.015:
                r, g, b = 0.3, 0.3, 0.29
    if d[1] < -1e-6:
        t = (floor - o[1]) / d[1]
        if t < best:
            best = t
            x = o[0] + t * d[0]
            z = o[2] + t * d[2]
            row = math.floor(z / 0.14)
            col = math.floor((x + 0.37 * row) / 1.1)
            tone = 0.16 + 0.10 * _hash(row, col, 101)
            grain = 0.85 + 0.3 * layered(3.0 * x, 40.0 * z, 102, 3)
            r, g, b = tone * 1.25 * grain, tone * 0.9 * grain, tone * 0.6 * grain
            if z % 0.14 < 0.006:
                r, g, b = r * 0.5, g * 0.5, b * 0.5
            shade = math.exp(-((x / 1.3) ** 2) - ((z / 0.55) ** 2))
            r, g, b = r * (1 - 0.6 * shade), g * (1 - 0.6 * shade), b * (1 - 0.6 * shade)
    # deck: long box, then two posts with a console
    for part in range(4):
        lx = (-1.05, 0.98, 0.98, 0.90)[part]
        hx = (1.15, 1.05, 1.05, 1.12)[part]
        ly = (floor + 0.02, 0.0, 0.0, 1.05)[part]
        hy = (0.0, 1.10, 1.10, 1.22)[part]
        lz = (-0.42, -0.44, 0.37, -0.42)[part]
        hz = (0.42, -0.37, 0.44, 0.42)[part]
        t0, t1 = 1e-6, 1e9
        face = 0
        for a in range(3):
            lo = (lx, ly, lz)[a]
            hi = (hx, hy, hz)[a]
            if abs(d[a]) < 1e-9:
                if o[a] < lo or o[a] > hi:
                    t1 = -1.0
                continue
            ta, tb = (lo - o[a]) / d[a], (hi - o[a]) / d[a]
            if ta > tb:
                ta, tb = tb, ta
            if ta > t0:
                t0, face = ta, a
            t1 = min(t1, tb)
        if t0 < t1 and t0 < best:
            best = t0
            x, y, z = o[0] + t0 * d[0], o[1] + t0 * d[1], o[2] + t0 * d[2]
            if part == 0 and face == 1:
                if abs(z) < 0.27:
                    r, g, b = 0.045, 0.045, 0.05
                else:
                    r, g, b = 0.22, 0.22, 0.23
            elif part == 0:
                s = 0.18 + 0.08 * layered(2.0 * x, 20.0 * y, 111, 2)
                r, g, b = s, s, 1.05 * s
                if -0.06 < y < -0.04:
                    r, g, b = 0.45, 0.12, 0.08
            else:
                s = 0.10 + 0.10 * (face == 1)
                r, g, b = s, s, s * 1.1
    return r, g, b


@nb.njit(cache=True)
def _fill(out, o, a0, e0, per_rad, room):  # type: ignore[no-untyped-def]
    h, w = out.shape[:2]
    d = np.empty(3)
    for y in range(h):
        for x in range(w):
            r, g, b = 0.0, 0.0, 0.0
            for sub in range(4):
                az = a0 + (x + 0.25 + 0.5 * (sub % 2)) / per_rad
                el = e0 - (y + 0.25 + 0.5 * (sub // 2)) / per_rad
                ce = math.cos(el)
                d[0], d[1], d[2] = ce * math.sin(az), math.sin(el), -ce * math.cos(az)
                q = _room_colour(o, d) if room else _track_colour(o, d)
                r, g, b = r + q[0], g + q[1], b + q[2]
            out[y, x, 0], out[y, x, 1], out[y, x, 2] = r / 4, g / 4, b / 4


def panorama(
    room: bool, eye: FloatArray, azimuth: tuple[float, float], elevation: tuple[float, float], per_rad: float
) -> Panorama:
    """Panorama of a place.

    Parameters
    ----------
    room : bool
        The treadmill room, else the track.
    eye : (3,) array
        Camera position, m.
    azimuth, elevation : (low, high)
        Range to cover, rad.
    per_rad : float
        px per rad; about the camera's focal length in px.
    """
    w = int((azimuth[1] - azimuth[0]) * per_rad) + 2
    h = int((elevation[1] - elevation[0]) * per_rad) + 2
    out = np.empty((h, w, 3), dtype=np.float32)
    _fill(out, np.asarray(eye, dtype=np.float64), azimuth[0], elevation[1], per_rad, room)
    return Panorama(out, azimuth[0], elevation[1], per_rad)


@nb.njit(cache=True)
def draw_belt(image, rot, eye, focal, cx, cy, travelled):  # type: ignore[no-untyped-def]
    """Redraw the running belt (y = 0, |z| < 0.27, -1 < x < 0.98) after it moved `travelled` m."""
    h, w = image.shape[:2]
    for y in range(h):
        v = (y + 0.5 - cy) / focal
        for x in range(w):
            u = (x + 0.5 - cx) / focal
            dy = rot[2, 1] + u * rot[0, 1] + v * rot[1, 1]
            if dy > -1e-4:
                continue
            t = -eye[1] / dy
            gz = eye[2] + t * (rot[2, 2] + u * rot[0, 2] + v * rot[1, 2])
            if abs(gz) > 0.265:
                continue
            gx = eye[0] + t * (rot[2, 0] + u * rot[0, 0] + v * rot[1, 0])
            if gx < -1.0 or gx > 0.96:
                continue
            bx = gx + travelled
            n = layered(18.0 * bx, 30.0 * gz, 121, 2)
            s = 0.030 + 0.035 * n
            if bx % 1.6 < 0.05:
                s = 0.16
            image[y, x, 0], image[y, x, 1], image[y, x, 2] = s, s, 1.05 * s
