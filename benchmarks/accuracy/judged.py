"""A case held against its truth: measures, events, angles of every frame, legs exchanged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from benchmarks.accuracy.cases import spec_of
from benchmarks.accuracy.seen import SeenCase
from benchmarks.accuracy.truths import Known, elbow_in_space, known_values
from sample_clips.truth import Truth
from shared import landmarks as lm
from shared.analysis import Event, Measure
from shared.errors import LanesideError
from shared.landmarks import Side
from shared.track import Track
from technique import error_model as em
from technique.angles import SIDES, elbow_angle, frame_angles
from technique.error_events import widened
from technique.error_model import ErrorTable
from technique.events import events
from technique.measures import measured
from technique.measures_motion import Athlete, Motion, arm_hidden, motion
from technique.smoothed import Smoothed
from technique.smoothing import smooth
from technique.time_base_check import checked_times

FloatArray = NDArray[np.float64]
MASS_KG: Final = 70.0
MATCH_S: Final = 0.1
"""An event further from the truth than this is no match: one missed and one too many."""
LEAST_FRAMES: Final = 10
"""Frames in which an arm must be seen."""
APART_SHARE: Final = 0.08
"""Legs closer together than this share of the runner's height can't be told to be exchanged."""
ANGLES: Final = ("thigh", "knee", "shank", "ankle", "foot", "hip", "elbow", "upper_arm")


@dataclass(frozen=True)
class Held:
    """One case after the technique stage, with its truth.

    Attributes
    ----------
    seen : SeenCase
    smoothed : Smoothed or None
    motion : Motion or None
        None where the clip was refused; `why` says so.
    events : tuple of Event
        As told, before a table widens their intervals.
    known : Known
    why : str
    """

    seen: SeenCase
    smoothed: Smoothed | None
    motion: Motion | None
    events: tuple[Event, ...]
    known: Known
    why: str

    @property
    def track(self) -> Track:
        assert self.seen.track is not None
        return self.seen.track


def held(seen: SeenCase) -> Held:
    """Smooth and take events and motion; a refusal is kept with its reason."""
    athlete = Athlete(stature_m=seen.stature_m, mass_kg=MASS_KG)
    known = known_values(seen.truth, spec_of(seen.case), athlete)
    if seen.track is None:
        return Held(seen, None, None, (), known, seen.why)
    try:
        smoothed = smooth(seen.track)
        found = events(smoothed)
        m = motion(seen.track, smoothed, found, athlete)
    except LanesideError as error:
        return Held(seen, None, None, (), known, str(error))
    if not any(s.next_other for s in m.steps):
        return Held(seen, smoothed, None, found, known, "no whole step")
    return Held(seen, smoothed, m, found, known, "")


def measures_of(one: Held, table: ErrorTable | None = None) -> tuple[Measure, ...]:
    """The case's measures with an error table (default: the program's own)."""
    if one.motion is None or one.smoothed is None:
        return ()
    found = widened(one.events, one.track.labelling.near_side, table)
    m = motion(one.track, one.smoothed, found, one.motion.athlete, table)
    return checked_times(m, measured(m, table).measures)[0]


def sides_turned(one: Held) -> bool:
    """True where left and right of the whole body are the wrong way round."""
    return one.track.labelling.near_side != one.seen.truth.athlete.near_side


def measure_rows(one: Held, found: Sequence[Measure]) -> list[dict[str, Any]]:
    """One row per measure and side that has a known truth.

    `error` is measured minus true; `parts` the claimed half-width by its parts.
    """
    rows = []
    case = one.seen.case
    near = one.seen.truth.athlete.near_side
    for x in found:
        true = one.known.values.get(f"{x.key}_{x.side}")
        if true is None:
            continue
        row: dict[str, Any] = {
            "case": case.number,
            "key": x.key,
            "unit": x.unit,
            "side": "body" if x.side == "both" else ("near" if x.side == near else "far"),
            "true": true,
            "value": x.value,
            "n": x.n,
            "why": x.why,
            "label": x.label,
        }
        if x.value is not None and x.low is not None and x.high is not None:
            row |= {"error": x.value - true, "low": x.low, "high": x.high, "parts": dict(x.error_parts)}
        rows.append(row)
    return rows


def facts(one: Held) -> dict[str, Any]:
    """Factors of the case, what the program saw of the view, and what went wrong."""
    out: dict[str, Any] = {**vars(one.seen.case), "case": one.seen.case.number, "why": one.why}
    out["true_height_px"] = _height_px(one.seen.truth)
    if one.seen.track is not None:
        q = one.track.quality
        out |= {
            "seen_yaw": q.off_perpendicular_deg,
            "seen_yaw_sd": q.off_perpendicular_sd_deg,
            "seen_roll": q.roll_deg,
            "seen_roll_sd": q.roll_sd_deg,
            "height_px": q.runner_height_px,
            "blur_px": q.blur_px,
            "seen_camera": one.track.camera,
            "turned": sides_turned(one),
            "direction_ok": one.track.direction == one.seen.truth.athlete.direction,
            "seen_rate": one.track.clip.capture_rate_hz,
        }
    return out


def _height_px(known: Truth) -> float:
    px = known.athlete.px
    return float(np.median(np.nanmax(px[..., 1], axis=1) - np.nanmin(px[..., 1], axis=1)))


def event_rows(one: Held) -> list[dict[str, Any]]:
    """One row per true event inside the time the athlete was followed, and per false one."""
    if one.motion is None:
        return []
    rows: list[dict[str, Any]] = []
    case, truth = one.seen.case, one.seen.truth
    t0, t1 = one.motion.time_s[0], one.motion.time_s[-1]
    for side in SIDES:
        place = "near" if side == truth.athlete.near_side else "far"
        for kind in ("touchdown", "toe_off"):
            true = [t for t in truth.athlete.event_times(kind, side) if t0 + 0.05 < t < t1 - 0.05]
            mine = [e for e in one.events if e.kind == kind and e.side == side]
            used: set[int] = set()
            base = {"case": case.number, "kind": kind, "side": place, "rate_hz": case.rate_hz}
            for t in true:
                near = [(abs(e.time_s - t), i) for i, e in enumerate(mine) if abs(e.time_s - t) < MATCH_S]
                if not near:
                    rows.append(base | {"missed": True})
                    continue
                i = min(near)[1]
                used.add(i)
                e = mine[i]
                rows.append(
                    base
                    | {
                        "missed": False,
                        "error_ms": 1000 * (e.time_s - t),
                        "half_ms": 500 * (e.high_s - e.low_s),
                        "shared_ms": 1000 * em.Z95 * e.evidence["shared_sd_s"],
                        "inside": bool(e.low_s <= t <= e.high_s),
                    }
                )
            every = truth.athlete.event_times(kind, side)
            for i, e in enumerate(mine):
                if i not in used and not any(abs(e.time_s - t) < MATCH_S for t in every):
                    rows.append(base | {"false": True})
    return rows


def angle_errors(one: Held) -> dict[str, FloatArray]:
    """Error of every frame, deg, by ``<angle>_<near|far>`` and ``trunk_body``; NaN left out.

    The elbow as seen is held against its projection (what a perfect point would read) as ``elbow``
    and against the angle in space as ``elbow_space``; ``elbow_plane`` is that projection itself
    against the angle in space.
    """
    if one.motion is None:
        return {}
    m, truth = one.motion, one.seen.truth
    mine = frame_angles(m.points)
    out: dict[str, FloatArray] = {}

    def add(name: str, series: FloatArray, true: FloatArray) -> None:
        at = np.interp(m.time_s, truth.time_s, np.unwrap(true, period=360.0))
        error = (series - at + 180.0) % 360.0 - 180.0
        out[name] = error[np.isfinite(error)]

    true = truth.athlete.angles
    add("trunk_body", mine["trunk_lean"], true["trunk"])
    for side in SIDES:
        place = "near" if side == truth.athlete.near_side else "far"
        for name in ANGLES:
            add(f"{name}_{place}", mine[f"{name}_{side}"], true[f"{name}_{side}"])
        space = elbow_in_space(truth.athlete.metres, side)
        add(f"elbow_space_{place}", mine[f"elbow_{side}"], space)
        out[f"elbow_plane_{place}"] = true[f"elbow_{side}"] - space
    return out


def near_arm(one: Held) -> tuple[FloatArray, FloatArray] | None:
    """The near elbow as seen and in space, each (T,) deg, where it is seen; None for a hidden arm."""
    if one.motion is None:
        return None
    m, truth = one.motion, one.seen.truth
    side = truth.athlete.near_side
    seen = elbow_angle(m.points, side)
    there = np.isfinite(seen)
    if arm_hidden(m, side) or there.sum() < LEAST_FRAMES:
        return None
    space = np.interp(m.time_s, truth.time_s, elbow_in_space(truth.athlete.metres, side))
    return seen[there], space[there]


def exchanged(track: Track, truth: Truth) -> tuple[int, int]:
    """Frames with the legs exchanged, and frames in which that can be told.

    A frame counts as exchanged when knees, ankles, heels and toes lie closer to the other leg's
    true places than to their own; frames with the legs on top of one another are left out.
    """
    row = {round(t * truth.capture_rate_hz): i for i, t in enumerate(track.time_s)}
    joints = ("knee", "ankle", "heel", "foot_index")
    apart = APART_SHARE * _height_px(truth)
    bad = told = 0
    for frame, i in row.items():
        if not 0 <= frame < len(truth.time_s):
            continue
        own = other = between = 0.0
        for joint in joints:
            for side in SIDES:
                seen = track.xy_px[i, lm.index(joint, side)]
                if not np.isfinite(seen).all():
                    continue
                mate: Side = lm.opposite(side)
                true = truth.athlete.px[frame, lm.index(joint, side)]
                else_ = truth.athlete.px[frame, lm.index(joint, mate)]
                own += float(np.linalg.norm(seen - true))
                other += float(np.linalg.norm(seen - else_))
                between = max(between, float(np.linalg.norm(true - else_)))
        if between > apart and own + other > 0:
            told += 1
            bad += own > other
    return bad, told
