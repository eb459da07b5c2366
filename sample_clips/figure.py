"""A dressed person as a list of round cones."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from sample_clips.body import HEEL_CONTACT_SHARE
from sample_clips.kernels import CLOTH, COLUMNS, HAIR, PLAIN, SKIN
from sample_clips.motion import Pose
from sample_clips.runner import Runner

FloatArray = NDArray[np.float64]
_SIGN: Final[dict[str, float]] = {"left": -1.0, "right": 1.0}
_IDENTITY: Final[FloatArray] = np.eye(3)


def _linear(rgb: tuple[int, int, int]) -> FloatArray:
    value: FloatArray = (np.array(rgb, dtype=np.float64) / 255.0) ** 2.2
    return value


class _Figure:
    """Collects rows for `kernels.draw_body`; axes are rows of a right-handed frame."""

    def __init__(self) -> None:
        self.rows: list[FloatArray] = []

    def add(
        self,
        a: FloatArray,
        b: FloatArray,
        ra: float,
        rb: float,
        colour: FloatArray,
        material: int,
        frame: FloatArray = _IDENTITY,
        scale: tuple[float, float, float] = (1.0, 1.0, 1.0),
        shade: float = 1.0,
    ) -> None:
        """A round cone from `a` to `b` (m); `scale` stretches it along the rows of `frame`."""
        to_own = frame / np.array(scale)[:, None]
        row = np.empty(COLUMNS)
        row[0:9] = to_own.ravel()
        row[9:12] = a
        row[12:15] = 0.0
        row[15:18] = to_own @ (b - a)
        row[18:20] = ra, rb
        row[20:23] = colour
        row[23:25] = material, shade
        self.rows.append(row)


def _upright(lean: float, turn: float) -> FloatArray:
    """Frame rows forward, up, right of a body part leaning forward and turned right-side-forward."""
    f = np.array([np.cos(lean), -np.sin(lean), 0.0])
    u = np.array([np.sin(lean), np.cos(lean), 0.0])
    z = np.array([0.0, 0.0, 1.0])
    c, s = np.cos(turn), np.sin(turn)
    return np.stack([c * f - s * z, u, c * z + s * f])


def _pitched(pitch: float) -> FloatArray:
    c, s = np.cos(pitch), np.sin(pitch)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


def figure(runner: Runner, body_pose: Pose, i: int) -> FloatArray:
    """Round cones of one moment in the runner's own axes.

    Parameters
    ----------
    runner : Runner
    body_pose : Pose
    i : int
        Index of the moment.

    Returns
    -------
    (N, 25) array
        Rows as `kernels.draw_body` wants them.
    """
    look, b = runner.look, runner.body
    k = b.stature_m / 1.78
    skin, hair, shirt = _linear(look.skin), _linear(look.hair), _linear(look.shirt)
    shorts, shoe, sock = _linear(look.shorts), _linear(look.shoe), _linear(look.sock)
    p = {name: v[i] for name, v in body_pose.points.items()}
    fig = _Figure()
    trunk = _upright(float(body_pose.pitch["trunk"][i]), float(body_pose.turn["shoulder"][i]))
    middle = _upright(float(body_pose.pitch["trunk"][i]), 0.0)
    pelvis = _upright(0.6 * float(body_pose.pitch["trunk"][i]), float(body_pose.turn["pelvis"][i]))
    head = _upright(float(body_pose.pitch["head"][i]), 0.0)
    _torso(fig, p, trunk, middle, pelvis, shirt, shorts, skin, k, b.trunk_m)
    _head(fig, p, head, skin, hair, k)
    for side in ("left", "right"):
        _arm(fig, p, side, shirt, skin, k)
        _leg(fig, p, side, body_pose, i, shorts, skin, shoe, sock, k, b.shoe_m)
    return np.stack(fig.rows)


def _torso(
    fig: _Figure,
    p: dict[str, FloatArray],
    trunk: FloatArray,
    middle: FloatArray,
    pelvis: FloatArray,
    shirt: FloatArray,
    shorts: FloatArray,
    skin: FloatArray,
    k: float,
    length: float,
) -> None:
    hip, chest = p["pelvis"], p["chest"]
    up = (chest - hip) / np.linalg.norm(chest - hip)
    waist = hip + 0.34 * length * up
    breast = hip + 0.72 * length * up
    top = hip + 0.95 * length * up
    wide = (1.0, 1.0, 1.48)
    fig.add(
        waist + 0.004 * middle[0], breast + 0.012 * trunk[0], 0.102 * k, 0.118 * k, shirt, CLOTH, trunk, wide
    )
    fig.add(
        breast + 0.008 * trunk[0],
        top - 0.012 * trunk[0],
        0.118 * k,
        0.075 * k,
        shirt,
        CLOTH,
        trunk,
        (1.0, 1.0, 1.62),
    )
    low = hip + 0.05 * length * up
    fig.add(low, waist, 0.112 * k, 0.103 * k, shirt, CLOTH, middle, (1.0, 1.0, 1.42))
    fig.add(
        hip - 0.03 * k * pelvis[1] - 0.012 * pelvis[0], hip + 0.045 * k * pelvis[1], 0.116 * k, 0.112 * k,
        shorts, CLOTH, pelvis, (1.02, 1.0, 1.42),
    )  # fmt: skip
    fig.add(
        top - 0.006 * middle[0],
        p["head"] - 0.050 * k * middle[1] - 0.016 * k * middle[0],
        0.070 * k,
        0.058 * k,
        skin,
        SKIN,
    )
    fig.add(
        top + 0.035 * k * up - 0.01 * middle[0],
        top - 0.02 * up,
        0.074 * k,
        0.088 * k,
        shirt,
        CLOTH,
        trunk,
        (1.0, 1.0, 1.25),
    )
    for side in ("left", "right"):
        fig.add(top + 0.01 * up, p[f"{side}_shoulder"] + 0.012 * up, 0.066 * k, 0.062 * k, shirt, CLOTH)


def _head(
    fig: _Figure, p: dict[str, FloatArray], frame: FloatArray, skin: FloatArray, hair: FloatArray, k: float
) -> None:
    f, u, z = frame
    c = p["head"]
    fig.add(
        c + k * (0.004 * f + 0.022 * u),
        c + k * (-0.012 * f + 0.024 * u),
        0.092 * k,
        0.094 * k,
        skin,
        SKIN,
        frame,
        (1.0, 1.05, 0.80),
    )
    fig.add(
        c + k * (0.016 * f - 0.012 * u),
        c + k * (0.046 * f - 0.076 * u),
        0.074 * k,
        0.038 * k,
        skin,
        SKIN,
        frame,
        (1.0, 1.05, 0.86),
    )
    fig.add(  # jaw
        c + k * (-0.014 * f - 0.045 * u),
        c + k * (0.044 * f - 0.082 * u),
        0.046 * k,
        0.030 * k,
        skin,
        SKIN,
        frame,
        (1.0, 1.0, 1.25),
    )
    fig.add(
        c + k * (-0.020 * f + 0.044 * u),
        c + k * (-0.022 * f + 0.030 * u),
        0.097 * k,
        0.095 * k,
        hair,
        HAIR,
        frame,
        (1.0, 1.02, 0.83),
    )
    fig.add(
        c + k * (0.090 * f + 0.012 * u), p["nose"] - 0.011 * k * f, 0.009 * k, 0.014 * k, skin * 0.95, SKIN
    )
    dark = np.array([0.012, 0.010, 0.010])
    white = np.array([0.62, 0.60, 0.58])
    lips = skin * np.array([0.62, 0.34, 0.34])
    for side in ("left", "right"):
        s = _SIGN[side]
        eye = p[f"{side}_eye"]
        fig.add(
            eye - 0.006 * k * f,
            eye - 0.006 * k * f,
            0.0115 * k,
            0.0115 * k,
            white,
            PLAIN,
            frame,
            (1.0, 0.75, 1.3),
        )
        fig.add(eye + 0.002 * k * f, eye + 0.002 * k * f, 0.0065 * k, 0.0065 * k, dark, PLAIN)
        brow_in = p[f"{side}_eye_inner"] + 0.019 * k * u + 0.004 * k * f
        brow_out = p[f"{side}_eye_outer"] + 0.016 * k * u + 0.002 * k * f
        fig.add(brow_in, brow_out, 0.0055 * k, 0.004 * k, hair, PLAIN)
        ear = p[f"{side}_ear"]
        fig.add(
            ear + 0.014 * k * u,
            ear - 0.014 * k * u,
            0.021 * k,
            0.014 * k,
            skin * 0.92,
            SKIN,
            frame,
            (0.85, 1.0, 0.45),
        )
        fig.add(
            ear + k * (0.004 * f + 0.003 * s * z),
            ear + k * (0.004 * f + 0.003 * s * z),
            0.008 * k,
            0.008 * k,
            skin * 0.45,
            PLAIN,
        )
        # sideburn and hair behind the ear
        fig.add(
            c + k * (0.012 * f + 0.030 * u + 0.068 * s * z),
            c + k * (0.014 * f - 0.002 * u + 0.070 * s * z),
            0.013 * k,
            0.007 * k,
            hair,
            HAIR,
        )
    fig.add(
        p["mouth_left"] + 0.3 * (p["mouth_right"] - p["mouth_left"]),
        p["mouth_right"],
        0.006 * k,
        0.004 * k,
        lips,
        PLAIN,
    )
    fig.add(
        p["mouth_right"] + 0.3 * (p["mouth_left"] - p["mouth_right"]),
        p["mouth_left"],
        0.006 * k,
        0.004 * k,
        lips,
        PLAIN,
    )


def _arm(
    fig: _Figure, p: dict[str, FloatArray], side: str, shirt: FloatArray, skin: FloatArray, k: float
) -> None:
    sh, el, wr = p[f"{side}_shoulder"], p[f"{side}_elbow"], p[f"{side}_wrist"]
    tip = p[f"{side}_fingertip"]
    mid = sh + 0.50 * (el - sh)
    fig.add(sh, sh + 0.52 * (el - sh), 0.064 * k, 0.060 * k, shirt, CLOTH)
    fig.add(sh + 0.2 * (el - sh), mid, 0.050 * k, 0.048 * k, skin, SKIN)
    fig.add(mid, el, 0.048 * k, 0.040 * k, skin, SKIN)
    belly = el + 0.30 * (wr - el)
    fig.add(el, belly, 0.040 * k, 0.042 * k, skin, SKIN)
    fig.add(belly, wr, 0.042 * k, 0.026 * k, skin, SKIN)
    palm = wr + 0.55 * (tip - wr)
    n = p[f"{side}_index"] - p[f"{side}_pinky"]
    fig.add(wr, palm, 0.026 * k, 0.032 * k, skin, SKIN)
    fig.add(palm + 0.30 * n, palm - 0.25 * n, 0.030 * k, 0.028 * k, skin, SKIN)
    fig.add(wr + 0.30 * (tip - wr), p[f"{side}_thumb"], 0.016 * k, 0.013 * k, skin, SKIN)


def _leg(
    fig: _Figure,
    p: dict[str, FloatArray],
    side: str,
    body_pose: Pose,
    i: int,
    shorts: FloatArray,
    skin: FloatArray,
    shoe: FloatArray,
    sock: FloatArray,
    k: float,
    length: float,
) -> None:
    hip, knee, ankle = p[f"{side}_hip"], p[f"{side}_knee"], p[f"{side}_ankle"]
    along = knee - hip
    fwd = np.array([-along[1], along[0], 0.0]) / np.linalg.norm(along)
    fig.add(hip - 0.012 * k * fwd, hip + 0.48 * along, 0.101 * k, 0.083 * k, shorts, CLOTH)
    fig.add(hip + 0.25 * along, hip + 0.60 * along, 0.084 * k, 0.072 * k, skin, SKIN)
    fig.add(hip + 0.60 * along, knee - 0.004 * k * fwd, 0.072 * k, 0.055 * k, skin, SKIN)
    fig.add(knee + 0.010 * k * fwd, knee + 0.008 * k * fwd, 0.050 * k, 0.050 * k, skin * 0.97, SKIN)
    down = ankle - knee
    front = np.array([-down[1], down[0], 0.0]) / np.linalg.norm(down)
    calf = knee + 0.30 * down - 0.014 * k * front
    fig.add(knee, calf, 0.052 * k, 0.056 * k, skin, SKIN)
    fig.add(calf, ankle - 0.08 * down, 0.056 * k, 0.037 * k, skin, SKIN)
    fig.add(knee + 0.1 * down + 0.008 * k * front, ankle, 0.043 * k, 0.035 * k, skin, SKIN)
    fig.add(ankle - 0.22 * down, ankle, 0.043 * k, 0.041 * k, sock, CLOTH)
    rear, fore = _pitched(float(body_pose.pitch[side][i])), _pitched(float(body_pose.pitch[f"{side}_toe"][i]))
    out = _SIGN[side] * 0.1
    ball = p[f"{side}_ball"]
    sole_colour = np.array([0.72, 0.72, 0.70])

    def at(x: float, y: float) -> FloatArray:
        # from the sole, since the ankle sinks towards it under load
        point: FloatArray = (
            p[f"{side}_sole_heel"]
            + ((x - HEEL_CONTACT_SHARE) * length) * (rear[0] + out * rear[2])
            + (y * k) * rear[1]
        )
        return point

    flat = (1.0, 0.42, 1.0)
    fig.add(at(-0.13, 0.017), at(0.40, 0.015), 0.038 * k, 0.042 * k, sole_colour, PLAIN, rear, flat)
    tip = ball + (0.205 * length) * (fore[0] + out * fore[2]) + 0.014 * k * fore[1]
    fig.add(ball + 0.015 * k * fore[1], tip, 0.042 * k, 0.032 * k, sole_colour, PLAIN, fore, flat)
    fig.add(at(-0.14, 0.040), at(-0.02, 0.052), 0.036 * k, 0.041 * k, shoe, CLOTH, rear, (1.0, 1.0, 0.92))
    fig.add(at(-0.02, 0.055), at(0.26, 0.038), 0.042 * k, 0.034 * k, shoe, CLOTH, rear, (1.0, 1.0, 0.95))
    fig.add(
        at(0.26, 0.038),
        ball + 0.034 * k * fore[1],
        0.034 * k,
        0.033 * k,
        shoe,
        CLOTH,
        rear,
        (1.0, 0.85, 1.15),
    )
    fig.add(
        ball + 0.032 * k * fore[1],
        tip + 0.012 * k * fore[1],
        0.033 * k,
        0.024 * k,
        shoe,
        CLOTH,
        fore,
        (1.0, 0.8, 1.25),
    )
    stripe = np.array([0.8, 0.8, 0.78])
    for s in (-1.0, 1.0):
        z = 0.036 * s * k * rear[2]
        fig.add(at(0.02, 0.070) + 0.8 * z, at(0.20, 0.028) + z, 0.007 * k, 0.008 * k, stripe, PLAIN)
