"""Small invented takes for tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from shared.analysis import Measure
from shared.catalogue import MEASURES
from technique.symmetry import symmetries
from technique.takes import Take

USUAL = {
    "contact_time": 0.22,
    "step_frequency": 170.0,
    "speed": 4.0,
    "trunk_lean": 6.0,
    "thigh_angle_max": 40.0,
    "thigh_angle_min": -30.0,
    "knee_flexion_td": 15.0,
    "knee_flexion_swing_max": 100.0,
    "td_distance_leg": 26.0,
}
PARTS = {"contact_time": {"strides": 0.004, "event method": 0.008}, "speed": {"strides": 0.03}}


def measure(
    key: str, side: str, value: float | None, parts: Mapping[str, float] | None = None, n: int = 6
) -> Measure:
    own = dict(parts if parts is not None else PARTS.get(key, {"strides": 1.0, "model": 7.84}))
    half = sum(v * v for v in own.values()) ** 0.5
    if value is None:
        return Measure(
            key, side, None, MEASURES[key].unit, None, None, 0, "not_measurable", "the leg is hidden"
        )  # type: ignore[arg-type]
    return Measure(
        key,
        side,
        value,
        MEASURES[key].unit,
        value - half,
        value + half,
        n,
        "measured",
        None,
        None,
        own,  # type: ignore[arg-type]
    )


def a_take(label: str = "before", changes: Mapping[str, float | None] | None = None, **facts: Any) -> Take:
    """A take of the usual values; `changes` by key, or by ``key_left``."""
    changed = dict(changes or {})
    found = []
    for key, usual in USUAL.items():
        for side in ("both",) if MEASURES[key].sided == "both" else ("left", "right"):
            found.append(measure(key, side, changed.get(f"{key}_{side}", changed.get(key, usual))))
    speed = changed.get("speed", USUAL["speed"])
    values: dict[str, Any] = {
        "label": label,
        "date": "2026-05-01",
        "measures": (*found, *symmetries(found)),
        "near_sides": frozenset(("left", "right")),
        "cameras": frozenset(("still",)),
        "capture_rates_hz": (120.0, 120.0),
        "yaw_deg": 2.0,
        "models": frozenset(("full",)),
        "versions": frozenset(("0.1",)),
        "time_bases": frozenset(("file",)),
        "speed_mps": speed,
        "side_speeds": (("left", speed), ("right", speed)),
        "scale_from": frozenset(("stature 1.75",)),
        "clips": frozenset((label,)),
    }
    return Take(**(values | facts))
