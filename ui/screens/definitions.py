"""Small drawings of what each measure is, made from a stick figure of our own."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from ui import look

Point = tuple[float, float]
THIGH, SHANK, TRUNK, UPPER_ARM, FOREARM = 44.0, 43.0, 52.0, 28.0, 26.0
"""Lengths of the figure's parts, in units of the drawing."""
WIDTH, HEIGHT = 260, 210


@dataclass(frozen=True)
class Pose:
    """Angles of the figure, deg, forward and flexion positive; near leg and arm, then far leg."""

    lean: float
    thigh: float
    knee: float
    foot: float
    arm: float
    elbow: float
    far_thigh: float
    far_knee: float


POSES: Final[dict[str, Pose]] = {
    "touchdown": Pose(8, 27, 14, 12, -45, 95, -16, 78),
    "midstance": Pose(8, 16, 42, 0, -12, 92, 2, 98),
    "toe-off": Pose(8, -22, 14, -42, 28, 80, 46, 88),
    "knee lift": Pose(8, 62, 98, 0, -40, 95, -20, 14),
    "arm front": Pose(8, -20, 20, -35, 30, 72, 44, 90),
    "arm back": Pose(8, 40, 60, 5, -58, 122, -20, 40),
    "heel up": Pose(8, -4, 108, -60, 0, 90, 14, 40),
}


def _along(start: Point, angle_deg: float, length: float) -> Point:
    """The end of a limb that hangs at an angle from the downward vertical, forward positive."""
    a = math.radians(angle_deg)
    return (start[0] + length * math.sin(a), start[1] + length * math.cos(a))


def joints(pose: Pose) -> dict[str, Point]:
    """Joint places of a pose, with the hip at the origin; y down."""
    hip = (0.0, 0.0)
    shoulder = _along(hip, 180 - pose.lean, TRUNK)
    head = _along(shoulder, 180 - pose.lean - 6, 22)
    knee = _along(hip, pose.thigh, THIGH)
    ankle = _along(knee, pose.thigh - pose.knee, SHANK)
    far_knee = _along(hip, pose.far_thigh, THIGH)
    far_ankle = _along(far_knee, pose.far_thigh - pose.far_knee, SHANK)
    elbow = _along(shoulder, pose.arm, UPPER_ARM)
    wrist = _along(elbow, pose.arm + 180 - pose.elbow, FOREARM)
    found = {"hip": hip, "shoulder": shoulder, "head": head, "knee": knee, "ankle": ankle}
    found |= {"far_knee": far_knee, "far_ankle": far_ankle, "elbow": elbow, "wrist": wrist}
    for name, at, turn in (
        ("", ankle, pose.foot),
        ("far_", far_ankle, -60.0),
    ):
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        for part, (x, y) in (("heel", (-6.0, 5.0)), ("toe", (16.0, 5.0))):
            found[name + part] = (at[0] + x * c + y * s, at[1] - x * s + y * c)
    return found


@dataclass(frozen=True)
class Sketch:
    """How a measure is drawn: which pose, and what is marked on it.

    `mark` is "angle" (vertex, one end, other end or a direction), "across" (a horizontal distance
    from a joint to another) or "rise"/"time" for the special drawings.
    """

    pose: str
    mark: str
    at: str = ""
    to: str = ""
    against: str = ""


SKETCHES: Final[dict[str, Sketch]] = {
    "trunk_lean": Sketch("midstance", "angle", "hip", "shoulder", "up"),
    "trunk_lean_td": Sketch("touchdown", "angle", "hip", "shoulder", "up"),
    "trunk_lean_midstance": Sketch("midstance", "angle", "hip", "shoulder", "up"),
    "trunk_lean_to": Sketch("toe-off", "angle", "hip", "shoulder", "up"),
    "thigh_angle_max": Sketch("knee lift", "angle", "hip", "knee", "down"),
    "thigh_angle_min": Sketch("toe-off", "angle", "hip", "knee", "down"),
    "knee_flexion_td": Sketch("touchdown", "angle", "knee", "ankle", "hip beyond"),
    "knee_flexion_stance_max": Sketch("midstance", "angle", "knee", "ankle", "hip beyond"),
    "knee_flexion_swing_max": Sketch("heel up", "angle", "knee", "ankle", "hip beyond"),
    "knee_flexion_to": Sketch("toe-off", "angle", "knee", "ankle", "hip beyond"),
    "thigh_angular_velocity_forward": Sketch("knee lift", "angle", "hip", "knee", "down"),
    "thigh_angular_velocity_back": Sketch("touchdown", "angle", "hip", "knee", "down"),
    "shank_angle_td": Sketch("touchdown", "angle", "knee", "ankle", "down"),
    "foot_angle_td": Sketch("touchdown", "angle", "heel", "toe", "ahead"),
    "strike_pattern": Sketch("touchdown", "angle", "heel", "toe", "ahead"),
    "td_distance": Sketch("touchdown", "across", "hip", "ankle"),
    "td_distance_leg": Sketch("touchdown", "across", "hip", "ankle"),
    "td_distance_com": Sketch("touchdown", "across", "hip", "ankle"),
    "td_distance_com_leg": Sketch("touchdown", "across", "hip", "ankle"),
    "elbow_angle_front": Sketch("arm front", "angle", "elbow", "shoulder", "wrist"),
    "elbow_angle_back": Sketch("arm back", "angle", "elbow", "shoulder", "wrist"),
    "elbow_angle_mean": Sketch("midstance", "angle", "elbow", "shoulder", "wrist"),
    "arm_swing_front": Sketch("arm front", "angle", "shoulder", "elbow", "hip"),
    "arm_swing_back": Sketch("arm back", "angle", "shoulder", "elbow", "hip"),
    "arm_swing_range": Sketch("arm back", "angle", "shoulder", "elbow", "hip"),
    "hand_height_front": Sketch("arm front", "level", "wrist", "shoulder"),
    "hand_past_hip_back": Sketch("arm back", "across", "hip", "wrist"),
    "hand_past_hip_back_thigh": Sketch("arm back", "across", "hip", "wrist"),
    "vertical_oscillation": Sketch("midstance", "rise"),
    "hip_moment_swing_flexion": Sketch("knee lift", "angle", "hip", "knee", "down"),
    "hip_moment_swing_extension": Sketch("touchdown", "angle", "hip", "knee", "down"),
    "hip_power_swing_peak": Sketch("knee lift", "angle", "hip", "knee", "down"),
}
TIMES: Final[dict[str, tuple[str, ...]]] = {
    "contact_time": ("contact",),
    "flight_time": ("flight",),
    "step_time": ("step",),
    "step_frequency": ("step",),
    "stride_time": ("stride",),
    "duty_factor": ("contact", "stride"),
    "step_length": ("step",),
    "speed": ("stride",),
    "leg_stiffness": ("contact", "flight"),
    "vertical_stiffness": ("contact", "flight"),
    "vertical_force_peak": ("contact", "flight"),
}
"""Measures drawn on the line of time: which spans are marked."""


def drawing(key: str) -> str:
    """The drawing of a measure as SVG; ValueError for a measure without one."""
    if key in TIMES:
        return _time_line(TIMES[key])
    if key in SKETCHES:
        return _figure(SKETCHES[key])
    raise ValueError(key)


def _svg(body: str) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" '
        f'height="{HEIGHT}"><rect width="{WIDTH}" height="{HEIGHT}" fill="{look.WASH}"/>{body}</svg>'
    )


def _line(a: Point, b: Point, ink: str, width: float = 5, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{a[0]:.1f}" y1="{a[1]:.1f}" x2="{b[0]:.1f}" y2="{b[1]:.1f}" stroke="{ink}" '
        f'stroke-width="{width}" stroke-linecap="round"{dashes}/>'
    )


def _figure(sketch: Sketch) -> str:
    at = joints(POSES[sketch.pose])
    lowest = max(at[n][1] for n in ("heel", "toe", "far_heel", "far_toe"))
    move = (WIDTH / 2 - 12, 188 - lowest)
    p = {name: (x + move[0], y + move[1]) for name, (x, y) in at.items()}
    far = "".join(
        _line(p[a], p[b], "#A9B3BC")
        for a, b in (("hip", "far_knee"), ("far_knee", "far_ankle"), ("far_heel", "far_toe"))
    )
    near = "".join(
        _line(p[a], p[b], look.INK)
        for a, b in (
            ("hip", "shoulder"),
            ("hip", "knee"),
            ("knee", "ankle"),
            ("ankle", "heel"),
            ("heel", "toe"),
            ("ankle", "toe"),
            ("shoulder", "elbow"),
            ("elbow", "wrist"),
        )
    )
    head = f'<circle cx="{p["head"][0]:.1f}" cy="{p["head"][1]:.1f}" r="9" fill="{look.INK}"/>'
    ground = _line((10, 189), (WIDTH - 10, 189), look.QUIET, 2)
    return _svg(ground + far + near + head + _marks(sketch, p))


def _marks(sketch: Sketch, p: dict[str, Point]) -> str:
    if sketch.mark == "rise":
        hip = p["hip"]
        wave = " ".join(
            f"{'M' if i == 0 else 'L'}{20 + i * 4.4:.1f} {hip[1] - 9 * math.cos(i / 50 * 4 * math.pi):.1f}"
            for i in range(51)
        )
        edges = "".join(_line((20, hip[1] + d), (240, hip[1] + d), look.QUIET, 1.2, "4 4") for d in (-9, 9))
        return f'<path d="{wave}" fill="none" stroke="{look.NEAR}" stroke-width="3"/>{edges}'
    start, end = p[sketch.at], p[sketch.to]
    if sketch.mark == "across":
        level = max(start[1], end[1]) + (0 if sketch.to == "ankle" else 10)
        drop = _line(start, (start[0], level), look.QUIET, 2, "5 4")
        drop += _line(end, (end[0], level), look.QUIET, 2, "5 4")
        return drop + _line((start[0], level), (end[0], level), look.NEAR, 5)
    if sketch.mark == "level":
        eye = (p["head"][0], p["head"][1] - 2)
        return "".join(
            _line((60, y), (220, y), ink, 2.4, dash)
            for y, ink, dash in (
                (eye[1], look.QUIET, "5 4"),
                (end[1], look.QUIET, "5 4"),
                (start[1], look.NEAR, ""),
            )
        )
    against = _direction(sketch, p)
    limb = math.atan2(end[1] - start[1], end[0] - start[0])
    tip = (start[0] + 46 * math.cos(against), start[1] + 46 * math.sin(against))
    return (
        _line(start, end, look.NEAR, 5)
        + _line(start, tip, look.NEAR, 2, "5 4")
        + _arc(start, against, limb, 26)
    )


def _direction(sketch: Sketch, p: dict[str, Point]) -> float:
    """Direction that the angle is measured from, rad in the drawing (y down)."""
    fixed = {"up": -math.pi / 2, "down": math.pi / 2, "ahead": 0.0}
    if sketch.against in fixed:
        return fixed[sketch.against]
    start = p[sketch.at]
    other = p[sketch.against.split()[0]]
    beyond = math.pi if sketch.against.endswith("beyond") else 0.0
    return math.atan2(other[1] - start[1], other[0] - start[0]) + beyond


def _arc(at: Point, a: float, b: float, radius: float) -> str:
    turn = (b - a + math.pi) % (2 * math.pi) - math.pi
    x1, y1 = at[0] + radius * math.cos(a), at[1] + radius * math.sin(a)
    x2, y2 = at[0] + radius * math.cos(a + turn), at[1] + radius * math.sin(a + turn)
    return (
        f'<path d="M{at[0]:.1f} {at[1]:.1f} L{x1:.1f} {y1:.1f} A{radius} {radius} 0 0 {1 if turn > 0 else 0} '
        f'{x2:.1f} {y2:.1f}Z" fill="{look.NEAR}" fill-opacity=".22" stroke="{look.NEAR}" stroke-width="2.5"/>'
    )


def _time_line(spans: tuple[str, ...]) -> str:
    """Contacts of both feet as bars on a line of time, with the spans marked."""

    def x(share: float) -> float:
        return 76 + share * 168

    bars = ""
    for name, y, ink, starts in (
        ("this foot", 62, look.INK, (0.0, 0.8)),
        ("other foot", 94, "#8B97A3", (0.4,)),
    ):
        bars += (
            f'<text x="68" y="{y + 11}" font-size="12" text-anchor="end" fill="{look.INK}" '
            f'font-family="sans-serif">{name}</text>'
        )
        for start in starts:
            width = min(0.26, 1.0 - start) * 168
            bars += f'<rect x="{x(start):.1f}" y="{y}" width="{width:.1f}" height="14" fill="{ink}" rx="2"/>'
    marks = ""
    ends = {"contact": (0.0, 0.26), "flight": (0.26, 0.4), "step": (0.0, 0.4), "stride": (0.0, 0.8)}
    for i, span in enumerate(spans):
        a, b = (x(v) for v in ends[span])
        y = 140 + 30 * i
        marks += _line((a, 54), (a, y), look.QUIET, 1.4, "4 4") + _line(
            (b, 54), (b, y), look.QUIET, 1.4, "4 4"
        )
        marks += _line((a, y), (b, y), look.NEAR, 5)
        marks += f'<text x="{b + 8:.1f}" y="{y + 5}" font-size="13" fill="{look.INK}" font-family="sans-serif">{span}</text>'
    line = f'<text x="244" y="40" font-size="12" text-anchor="end" fill="{look.INK}" font-family="sans-serif">time →</text>'
    return _svg(line + bars + marks)
