"""Compiled inner loops of the renderer: round cones, backgrounds, resampling."""

from __future__ import annotations

import math

import numba as nb
import numpy as np

# A primitive is a round cone in its own (scaled) axes. Columns of one row:
# 0-8 scene-to-own matrix, 9-11 own origin in the scene, 12-14 / 15-17 end centres, 18 / 19 radii,
# 20-22 linear colour, 23 material, 24 shade
COLUMNS = 25
PLAIN, CLOTH, HAIR, SKIN = 0, 1, 2, 3


@nb.njit(cache=True)
def _hash(i: int, j: int, k: int) -> float:
    h = (i * 374761393 + j * 668265263 + k * 2147483647 + 974711) & 0x7FFFFFFF
    h = ((h ^ (h >> 13)) * 1274126177) & 0x7FFFFFFF
    return ((h ^ (h >> 16)) & 0xFFFF) / 65535.0


@nb.njit(cache=True)
def value_noise(x: float, y: float, seed: int) -> float:
    """Smooth noise in 0..1 at unit spacing."""
    i, j = math.floor(x), math.floor(y)
    u, v = x - i, y - j
    u, v = u * u * (3 - 2 * u), v * v * (3 - 2 * v)
    a = _hash(int(i), int(j), seed)
    b = _hash(int(i) + 1, int(j), seed)
    c = _hash(int(i), int(j) + 1, seed)
    d = _hash(int(i) + 1, int(j) + 1, seed)
    return (a * (1 - u) + b * u) * (1 - v) + (c * (1 - u) + d * u) * v


@nb.njit(cache=True)
def layered(x: float, y: float, seed: int, octaves: int) -> float:
    """Several octaves of `value_noise`, 0..1."""
    total, weight, size = 0.0, 0.5, 0.0
    for o in range(octaves):
        total += weight * value_noise(x, y, seed + o)
        size += weight
        weight *= 0.5
        x, y = 2.03 * x, 2.03 * y
    return total / size


@nb.njit(cache=True)
def draw_body(prims, boxes, rot, eye, focal, cx, cy, ss, x0, y0, depth, colour, sun, sky_light):  # type: ignore[no-untyped-def]
    """Draw all primitives into a supersampled depth and colour buffer whose corner is (x0, y0) px."""
    hh, ww = depth.shape
    step = 1.0 / ss
    for k in range(prims.shape[0]):
        p = prims[k]
        lo_x = max(0, int((boxes[k, 0] - x0) * ss))
        hi_x = min(ww, int((boxes[k, 2] - x0) * ss) + 2)
        lo_y = max(0, int((boxes[k, 1] - y0) * ss))
        hi_y = min(hh, int((boxes[k, 3] - y0) * ss) + 2)
        if lo_x >= hi_x or lo_y >= hi_y:
            continue
        ex, ey, ez = eye[0] - p[9], eye[1] - p[10], eye[2] - p[11]
        ox = p[0] * ex + p[1] * ey + p[2] * ez
        oy = p[3] * ex + p[4] * ey + p[5] * ez
        oz = p[6] * ex + p[7] * ey + p[8] * ez
        bax, bay, baz = p[15] - p[12], p[16] - p[13], p[17] - p[14]
        oax, oay, oaz = ox - p[12], oy - p[13], oz - p[14]
        obx, oby, obz = ox - p[15], oy - p[16], oz - p[17]
        ra, rb = p[18], p[19]
        rr = ra - rb
        m0 = bax * bax + bay * bay + baz * baz
        m1 = bax * oax + bay * oay + baz * oaz
        m5 = oax * oax + oay * oay + oaz * oaz
        m7 = obx * obx + oby * oby + obz * obz
        d2 = m0 - rr * rr
        material = int(p[23])
        for iy in range(lo_y, hi_y):
            v = (y0 + (iy + 0.5) * step - cy) / focal
            for ix in range(lo_x, hi_x):
                u = (x0 + (ix + 0.5) * step - cx) / focal
                dx = rot[2, 0] + u * rot[0, 0] + v * rot[1, 0]
                dy = rot[2, 1] + u * rot[0, 1] + v * rot[1, 1]
                dz = rot[2, 2] + u * rot[0, 2] + v * rot[1, 2]
                lx = p[0] * dx + p[1] * dy + p[2] * dz
                ly = p[3] * dx + p[4] * dy + p[5] * dz
                lz = p[6] * dx + p[7] * dy + p[8] * dz
                length = math.sqrt(lx * lx + ly * ly + lz * lz)
                lx, ly, lz = lx / length, ly / length, lz / length
                m2 = bax * lx + bay * ly + baz * lz
                m3 = lx * oax + ly * oay + lz * oaz
                m6 = lx * obx + ly * oby + lz * obz
                t = -1.0
                nx, ny, nz = 0.0, 0.0, 0.0
                if d2 > 1e-9:
                    k2 = d2 - m2 * m2
                    k1 = d2 * m3 - m1 * m2 + m2 * rr * ra
                    k0 = d2 * m5 - m1 * m1 + m1 * rr * ra * 2.0 - m0 * ra * ra
                    h = k1 * k1 - k0 * k2
                    if h >= 0.0 and k2 > 1e-12:
                        tt = (-math.sqrt(h) - k1) / k2
                        y = m1 - ra * rr + tt * m2
                        if 0.0 < y < d2:
                            t = tt
                            nx = d2 * (oax + tt * lx) - bax * y
                            ny = d2 * (oay + tt * ly) - bay * y
                            nz = d2 * (oaz + tt * lz) - baz * y
                if t < 0.0:
                    h1 = m3 * m3 - m5 + ra * ra
                    h2 = m6 * m6 - m7 + rb * rb
                    best = 1e20
                    if h1 > 0.0:
                        tt = -m3 - math.sqrt(h1)
                        if 0.0 < tt < best:
                            best = tt
                            nx, ny, nz = oax + tt * lx, oay + tt * ly, oaz + tt * lz
                    if h2 > 0.0:
                        tt = -m6 - math.sqrt(h2)
                        if 0.0 < tt < best:
                            best = tt
                            nx, ny, nz = obx + tt * lx, oby + tt * ly, obz + tt * lz
                    if best < 1e19:
                        t = best
                if t <= 0.0:
                    continue
                z = t / length
                if z >= depth[iy, ix]:
                    continue
                depth[iy, ix] = z
                # normal back to the scene
                wx = p[0] * nx + p[3] * ny + p[6] * nz
                wy = p[1] * nx + p[4] * ny + p[7] * nz
                wz = p[2] * nx + p[5] * ny + p[8] * nz
                wn = 1.0 / math.sqrt(wx * wx + wy * wy + wz * wz)
                wx, wy, wz = wx * wn, wy * wn, wz * wn
                grain = 0.0
                if material != PLAIN:
                    # own coordinates of the hit, so that the pattern moves with the body part
                    qx, qy, qz = ox + t * lx, oy + t * ly, oz + t * lz
                    if material == CLOTH:
                        a = layered(14.0 * qx + 5.0 * qz, 9.0 * qy + 3.0 * qz, 7, 3) - 0.5
                        grain = 0.45 * a
                        wy += 0.9 * (layered(16.0 * qx + 3.0 * qz + 9.0, 11.0 * qy, 17, 2) - 0.5)
                        wx += 0.7 * (layered(13.0 * qx + 2.0, 12.0 * qy + 4.0 * qz, 27, 2) - 0.5)
                    elif material == HAIR:
                        grain = 0.9 * (layered(60.0 * qx, 25.0 * qy + 40.0 * qz, 37, 2) - 0.5)
                    else:
                        grain = 0.10 * (layered(22.0 * qx, 22.0 * qy + 9.0 * qz, 47, 2) - 0.5)
                    wn = 1.0 / math.sqrt(wx * wx + wy * wy + wz * wz)
                    wx, wy, wz = wx * wn, wy * wn, wz * wn
                diffuse = max(0.0, wx * sun[0] + wy * sun[1] + wz * sun[2])
                dn = 1.0 / math.sqrt(dx * dx + dy * dy + dz * dz)
                facing = -(wx * dx + wy * dy + wz * dz) * dn
                light = (sky_light * (0.62 + 0.38 * wy) + 0.95 * diffuse) * p[24]
                light *= 0.80 + 0.20 * max(facing, 0.0)
                light *= 1.0 + grain
                shine = 0.0
                if material == SKIN:
                    shine = 0.05 * diffuse * max(facing, 0.0) ** 4
                colour[iy, ix, 0] = p[20] * light + shine
                colour[iy, ix, 1] = p[21] * light + shine
                colour[iy, ix, 2] = p[22] * light + shine


@nb.njit(cache=True)
def merge_body(image, depth, colour, ss, x0, y0):  # type: ignore[no-untyped-def]
    """Average the supersampled person onto the linear image."""
    hh, ww = depth.shape
    for by in range(hh // ss):
        for bx in range(ww // ss):
            r, g, b, n = 0.0, 0.0, 0.0, 0
            for sy in range(ss):
                for sx in range(ss):
                    if depth[by * ss + sy, bx * ss + sx] < 1e8:
                        c = colour[by * ss + sy, bx * ss + sx]
                        r, g, b, n = r + c[0], g + c[1], b + c[2], n + 1
            if n:
                k = 1.0 / (ss * ss)
                rest = 1.0 - n * k
                y, x = by + y0, bx + x0
                image[y, x, 0] = image[y, x, 0] * rest + r * k
                image[y, x, 1] = image[y, x, 1] * rest + g * k
                image[y, x, 2] = image[y, x, 2] * rest + b * k


@nb.njit(cache=True)
def shade_ground(image, rot, eye, focal, cx, cy, blobs, x0, y0, x1, y1, strength, plane):  # type: ignore[no-untyped-def]
    """Darken the ground by soft blobs (rows x, z, radius along x, radius along z, weight)."""
    for y in range(y0, y1):
        v = (y + 0.5 - cy) / focal
        for x in range(x0, x1):
            u = (x + 0.5 - cx) / focal
            dy = rot[2, 1] + u * rot[0, 1] + v * rot[1, 1]
            if dy > -1e-4:
                continue
            t = (plane - eye[1]) / dy
            gx = eye[0] + t * (rot[2, 0] + u * rot[0, 0] + v * rot[1, 0])
            gz = eye[2] + t * (rot[2, 2] + u * rot[0, 2] + v * rot[1, 2])
            dark = 1.0
            for k in range(blobs.shape[0]):
                a = (gx - blobs[k, 0]) / blobs[k, 2]
                b = (gz - blobs[k, 1]) / blobs[k, 3]
                q = a * a + b * b
                if q < 9.0:
                    dark *= 1.0 - blobs[k, 4] * math.exp(-q)
            if dark < 0.999:
                f = 1.0 - strength * (1.0 - dark)
                image[y, x, 0] *= f
                image[y, x, 1] *= f
                image[y, x, 2] *= f


@nb.njit(cache=True)
def from_panorama(pano, a0, e0, per_rad, rot, focal, cx, cy, image):  # type: ignore[no-untyped-def]
    """Fill `image` from a panorama over azimuth and elevation (rad) by bilinear look-up.

    Directions are exact on an 8 px grid and linear between (error below 0.01 px).
    """
    h, w = image.shape[:2]
    ph, pw = pano.shape[:2]
    gh, gw = h // 8 + 2, w // 8 + 2
    grid = np.empty((gh, gw, 2))
    for gy in range(gh):
        v = (8.0 * gy + 0.5 - cy) / focal
        for gx in range(gw):
            u = (8.0 * gx + 0.5 - cx) / focal
            dx = rot[2, 0] + u * rot[0, 0] + v * rot[1, 0]
            dy = rot[2, 1] + u * rot[0, 1] + v * rot[1, 1]
            dz = rot[2, 2] + u * rot[0, 2] + v * rot[1, 2]
            az = math.atan2(dx, -dz)
            el = math.atan2(dy, math.sqrt(dx * dx + dz * dz))
            grid[gy, gx, 0] = (az - a0) * per_rad - 0.5
            grid[gy, gx, 1] = (e0 - el) * per_rad - 0.5
    for y in range(h):
        gy = y // 8
        ty = (y - 8 * gy) / 8.0
        for x in range(w):
            gx = x // 8
            tx = (x - 8 * gx) / 8.0
            sx = (grid[gy, gx, 0] * (1 - tx) + grid[gy, gx + 1, 0] * tx) * (1 - ty) + (
                grid[gy + 1, gx, 0] * (1 - tx) + grid[gy + 1, gx + 1, 0] * tx
            ) * ty
            sy = (grid[gy, gx, 1] * (1 - tx) + grid[gy, gx + 1, 1] * tx) * (1 - ty) + (
                grid[gy + 1, gx, 1] * (1 - tx) + grid[gy + 1, gx + 1, 1] * tx
            ) * ty
            sx = min(max(sx, 0.0), pw - 1.001)
            sy = min(max(sy, 0.0), ph - 1.001)
            i, j = int(sx), int(sy)
            fx, fy = np.float32(sx - i), np.float32(sy - j)
            for c in range(3):
                top = pano[j, i, c] + (pano[j, i + 1, c] - pano[j, i, c]) * fx
                low = pano[j + 1, i, c] + (pano[j + 1, i + 1, c] - pano[j + 1, i, c]) * fx
                image[y, x, c] = top + (low - top) * fy


@nb.njit(cache=True)
def to_bytes(image, noise, shift, table, scale, out):  # type: ignore[no-untyped-def]
    """Linear light to 8-bit by a table of grey levels, with sensor noise read from `shift`.

    `table` holds grey levels (float) for light 0..1 at even steps; `scale` multiplies the light.
    """
    h, w = image.shape[:2]
    top = table.size - 1
    k = shift
    n = noise.size
    factor = np.float32(scale * top)
    for y in range(h):
        if k + 3 * w >= n:
            k = k % 9973
        for x in range(w):
            for c in range(3):
                i = int(image[y, x, c] * factor)
                i = min(max(i, 0), top)
                s = table[i] + noise[k]
                k += 1
                out[y, x, c] = np.uint8(min(max(s, np.float32(0.0)), np.float32(255.0)))
