"""From a `Track` to an `Analysis`: smooth, events, measures, curves, scores, cues."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.analysis import Analysis, Event, Measure, Provenance
from shared.errors import MotionError
from shared.track import Track
from technique.angles import SIDES, frame_angles, thigh_angle
from technique.cautions import ADULT_AGE, caution_lines, cautions
from technique.cues import cues, why_no_cues
from technique.curves import curves
from technique.error_events import widened
from technique.error_model import error_table
from technique.events import events
from technique.measures import LARGEST_YAW_DEG, measured
from technique.measures_motion import Athlete, Motion, arm_hidden, leg_hidden, motion
from technique.profile_schema import Profile
from technique.smoothed import Smoothed
from technique.smoothing import smooth
from technique.symmetry import symmetries
from technique.targets import scores
from technique.time_base_check import TIMED_KEYS, checked_times

__all__ = ["Athlete", "analyse", "analysis_of"]

FloatArray = NDArray[np.float64]

STILL_THIGH_DEG: Final[float] = 12.0
"""A thigh that moves less than this between its 5th and 95th percentile is standing still."""
SHORTEST_S: Final[float] = 0.3
ADVISED_STEPS: Final[int] = 7
"""Steps per side to average (Dingenen et al. 2018, Phys Ther Sport 33:40)."""
SURE_SIDE: Final[float] = 0.8


def analyse(track: Track, profile: Profile, athlete: Athlete | None, created: str, version: str) -> Analysis:
    """Everything a report needs about one clip.

    Parameters
    ----------
    track : Track
        One athlete's landmarks.
    profile : Profile
        Targets.
    athlete : Athlete or None
        What the user said about the athlete.
    created : str
        Date and time of the analysis, ISO 8601.
    version : str
        Of the program.

    Returns
    -------
    Analysis

    Raises
    ------
    MotionError
        If the athlete stands still, or the clip shows no whole step.
    """
    _check_length(track)
    smoothed = smooth(track)
    _check_moving(track, smoothed)
    found = widened(events(smoothed), track.labelling.near_side)
    return analysis_of(track, smoothed, found, profile, athlete, created, version)


def analysis_of(
    track: Track,
    smoothed: Smoothed,
    found: Sequence[Event],
    profile: Profile,
    athlete: Athlete | None,
    created: str,
    version: str,
) -> Analysis:
    """The same from a smoothed track and its events."""
    athlete = athlete or Athlete()
    m = motion(track, smoothed, found, athlete)
    if not any(s.next_other for s in m.steps):
        raise MotionError(
            _name(track),
            f"it shows {len(m.steps)} landing{'' if len(m.steps) == 1 else 's'} and no whole step",
            "film at least one stride, better seven steps of each foot, with the whole body in view",
        )
    result = measured(m)
    timed, time_notes = checked_times(m, result.measures, told=track.clip.time_base == "user")
    all_measures = (*timed, *symmetries(timed))
    held = scores(all_measures, profile, track.labelling.near_side)
    told = _told(athlete)
    doubted = TIMED_KEYS if time_notes else frozenset()
    given = cues(all_measures, held, profile, told, doubted=doubted)
    why_none = None if given else why_no_cues(all_measures, held, profile, told, doubted)
    return Analysis(
        clip=track.clip,
        direction=track.direction,
        near_side=track.labelling.near_side,
        near_side_confidence=track.labelling.near_side_confidence,
        camera=track.camera,
        scale=track.scale,
        quality=track.quality,
        athlete=_athlete_record(athlete),
        profile=profile.name,
        frame=smoothed.frame,
        time_s=smoothed.time_s,
        angles=_angles(m),
        events=tuple(sorted(found, key=lambda e: e.time_s)),
        observations=result.observations,
        measures=all_measures,
        curves=curves(m),
        scores=held,
        cues=given,
        cautions=caution_lines(cautions(profile, told, given)),
        notes=(*time_notes, *_notes(track, m, all_measures, why_none)),
        provenance=Provenance(version, created, track.model, _settings(track, m, profile, why_none)),
    )


def _name(track: Track) -> str:
    return Path(track.clip.path).name


def _check_length(track: Track) -> None:
    length = float(track.time_s[-1] - track.time_s[0]) if len(track.time_s) > 1 else 0.0
    if length < SHORTEST_S:
        raise MotionError(
            _name(track),
            f"the athlete is followed for only {length:.1f} s",
            "film at least one stride, with the whole body in view",
        )


def _check_moving(track: Track, smoothed: Smoothed) -> None:
    points = np.where(smoothed.valid[:, :, None], smoothed.world_px, np.nan)
    spans = []
    for side in SIDES:
        series = thigh_angle(points, side)
        seen = series[np.isfinite(series)]
        if len(seen) >= 5:
            spans.append(float(np.subtract(*np.percentile(seen, [95, 5]))))
    if not spans:
        raise MotionError(
            _name(track),
            "neither leg could be followed",
            "film from the side, with hips, knees and feet in view",
        )
    if max(spans) < STILL_THIGH_DEG:
        raise MotionError(
            _name(track),
            "the athlete stands still",
            "choose another athlete, or film the run itself",
        )


def _told(athlete: Athlete) -> Mapping[str, object]:
    """What the cautions read."""
    told: dict[str, object] = {}
    if athlete.injury:
        told["recent_injury"] = "yes"
    if athlete.minor:
        told["age"] = ADULT_AGE - 1  # under age is all that is known
    return told


def _athlete_record(athlete: Athlete) -> dict[str, float | str | None]:
    return {
        "stature_m": athlete.stature_m,
        "mass_kg": athlete.mass_kg,
        "leg_length_m": athlete.leg_length_m,
        "sex": athlete.sex,
        "minor": "yes" if athlete.minor else None,
        "injury": "yes" if athlete.injury else None,
    }


def _angles(m: Motion) -> dict[str, FloatArray]:
    """Angles per frame, NaN where not measurable."""
    out = frame_angles(m.points, m.arm_out_deg)
    blind = bool(np.isfinite(m.yaw_deg)) and m.yaw_deg > LARGEST_YAW_DEG
    hidden = {
        f"{name}_{side}"
        for side in SIDES
        for names, gone in (
            (("elbow", "upper_arm"), arm_hidden(m, side)),
            (("thigh", "hip", "knee", "shank", "ankle", "foot"), leg_hidden(m, side)),
        )
        for name in names
        if gone
    }
    return {k: np.full_like(v, np.nan) if blind or k in hidden else v for k, v in out.items()}


def _notes(track: Track, m: Motion, measures: Sequence[Measure], why_none: str | None) -> tuple[str, ...]:
    """Plain sentences about what limits this clip."""
    notes = [*track.clip.notes, *track.labelling.notes, *track.quality.notes]
    if track.labelling.near_side_confidence < SURE_SIDE:
        notes.append("Left and right may be the wrong way round in this clip; the two sides are not certain.")
    counts = {side: len(m.of_side(side)) for side in SIDES}
    if min(counts.values()) < ADVISED_STEPS:
        notes.append(
            f"The clip shows {counts['left']} left and {counts['right']} right landings; "
            f"{ADVISED_STEPS} of each foot are advised, so the intervals are wider."
        )
    if not np.isfinite(m.yaw_deg):
        notes.append(
            "How far the camera is off a true side view could not be judged; intervals allow for 15°."
        )
    elif m.yaw_deg > LARGEST_YAW_DEG:
        notes.append(
            f"The camera stands {m.yaw_deg:.0f}° off a true side view, so only times are given: "
            "film at right angles to the lane."
        )
    if arm_hidden(m, m.far):
        notes.append(f"The far ({m.far}) arm is behind the trunk: film the other side to measure it.")
    flight = [x for x in measures if x.key == "flight_time"]
    if any(x.why and "walking" in x.why for x in flight):
        notes.append("This looks like walking: one foot is always on the ground.")
    if track.camera == "treadmill":
        notes.append("Filmed on a treadmill: do not compare it with running on the ground.")
    if why_none:
        notes.append(why_none)
    return tuple(dict.fromkeys(notes))


def _settings(track: Track, m: Motion, profile: Profile, why_none: str | None) -> dict[str, object]:
    cutoff = m.smoothed.cutoff_hz
    return {
        "capture_rate_hz": track.clip.capture_rate_hz,
        "grid_rate_hz": m.smoothed.rate_hz,
        "cutoff_hz": {
            name: round(float(np.nanmean(cutoff[lm.index(name, m.near)])), 2)
            for name in ("hip", "knee", "ankle", "foot_index", "shoulder", "wrist")
        },
        "segment_table": m.table,
        "error_table": error_table().made,
        "mean_errors_taken_out": error_table().corrects(track.model),
        "arm_out_deg": m.arm_out_deg,
        "profile_sha256": profile.sha256,
        "leg_px": m.leg_px,
        "why_no_cues": why_none or "",
        "belt_speed_mps": track.belt_speed_mps,
    }
