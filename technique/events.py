"""Touchdowns and toe-offs of both feet, each with its 95 % interval.

Each foot's stretches of support come from its swing about the hip; a linear model fitted on
force-measured running and on invented figures tells the two events of each from the leg's path
in the frame of the ground. Nothing is invented where the leg was not seen. Method, sources and
figures: docs/events.md.
"""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np

from shared.analysis import Event, EventKind
from shared.landmarks import Side, opposite
from technique.events_estimate import Estimate, estimates
from technique.events_model import Model, Pace, fitted_model, pace_of
from technique.events_paths import LEAST_SWING, LegPath, Support, leg_path, swing_range
from technique.events_window import windower
from technique.smoothed import Smoothed
from technique.smoothing import leg_length

SIDES: Final[tuple[Side, Side]] = ("left", "right")
KINDS: Final[tuple[EventKind, EventKind]] = ("touchdown", "toe_off")
SHORTEST_CONTACT_S: Final = 0.060
LONGEST_CONTACT_S: Final = 1.0
"""Contacts outside are not believed (the shortest measured sprint contacts are about 0.08 s)."""
WIDTH: Final = 1.96
STRANGE: Final = 40.0
"""Movement further than this from all that was fitted gives no event."""
LEAST_STEP: Final = 0.2
"""Landings of the two feet closer than this share of a stride can't both be right."""


def events(smoothed: Smoothed, model: Model | None = None) -> tuple[Event, ...]:
    """Touchdowns and toe-offs in order of time.

    Parameters
    ----------
    smoothed : Smoothed
        Walking, running or sprinting, overground or on a treadmill.
    model : Model, optional
        Another fitted model (to check one on runners it has not seen).

    Returns
    -------
    tuple of Event
        Empty where nobody steps. A contact cut by the clip's border or by a gap gives only the
        event that was seen.
    """
    model = fitted_model() if model is None else model
    paths = leg_paths(smoothed)
    if not paths:
        return ()
    pace = clip_pace(paths)
    found: list[Event] = []
    for path in paths:
        found += _leg_events(smoothed, path, model, pace)
    return tuple(sorted(_without_doubles(found, paths), key=lambda e: e.time_s))


def leg_paths(smoothed: Smoothed) -> list[LegPath]:
    """Path of each leg that was seen and swings."""
    leg = leg_length(smoothed.world_px)
    found = {side: leg_path(smoothed, side, leg) for side in SIDES}
    for side in SIDES:
        other = found[opposite(side)]
        if found[side] is None and other is not None:
            span = float(np.median([s.span_s for s in other.supports]))
            found[side] = leg_path(smoothed, side, leg, span)
    return [p for p in found.values() if p is not None]


def clip_pace(paths: list[LegPath]) -> Pace:
    """Pace of the clip from both legs.

    Parameters
    ----------
    paths : list of LegPath
        At least one.

    Returns
    -------
    {"walk", "run", "fast"}
    """
    rise = float(np.mean([p.hip_rise for p in paths]))
    return pace_of(rise > 0.0, float(np.median([p.ground_speed for p in paths])))


def motion_check(found: tuple[Event, ...], smoothed: Smoothed) -> str | None:
    """Why the motion can't be measured, in plain words; None when it can.

    Parameters
    ----------
    found : tuple of Event
        From `events`.
    smoothed : Smoothed

    Returns
    -------
    str or None
        ``"legs not seen"``, ``"standing still"`` or ``"fewer than two strides"``.
    """
    leg = leg_length(smoothed.world_px)
    if not np.isfinite(leg) or leg <= 0.0:
        return "legs not seen"
    if not found and max(swing_range(smoothed, side, leg) for side in SIDES) < LEAST_SWING:
        return "standing still"
    landings = [sum(1 for e in found if e.side == side and e.kind == "touchdown") for side in SIDES]
    strides = sum(max(n - 1, 0) for n in landings)
    return None if strides >= 2 else "fewer than two strides"


def _leg_events(smoothed: Smoothed, path: LegPath, model: Model, pace: Pace) -> list[Event]:
    w = windower(path)
    if w is None:
        return []
    told = [estimates(w, path.supports, kind, model, pace) for kind in KINDS]
    out: list[Event] = []
    for support, *pair in zip(path.supports, *told):
        picked = [
            event
            for kind, got in zip(KINDS, pair)
            if got is not None and (event := _event(smoothed, path, support, kind, got)) is not None
        ]
        if len(picked) == 2:
            contact = picked[1].time_s - picked[0].time_s
            if not SHORTEST_CONTACT_S <= contact <= LONGEST_CONTACT_S:
                continue
        out += picked
    return out


def _event(
    smoothed: Smoothed, path: LegPath, support: Support, kind: EventKind, got: Estimate
) -> Event | None:
    """The event, if it lies in the clip and the movement is of a known kind."""
    time = got.time_s
    if got.strangeness > STRANGE or not smoothed.time_s[0] <= time <= smoothed.time_s[-1]:
        return None
    wider = max(1.0, float(np.sqrt(got.strangeness)))
    half = WIDTH * got.sd_s * wider
    evidence = {
        "coarse_s": got.coarse_s,
        "strangeness": got.strangeness,
        "shared_sd_s": got.shared_sd_s * wider,
    }
    if support.front_seen:
        evidence["foot_foremost_s"] = support.front_s
    if support.back_seen:
        evidence["foot_rearmost_s"] = support.back_s
    nearest = int(np.argmin(np.abs(smoothed.time_s - time)))
    return Event(
        kind=kind,
        side=path.side,
        time_s=float(time),
        low_s=float(time - half),
        high_s=float(time + half),
        frame=int(smoothed.frame[nearest]),
        evidence=evidence,
    )


def _without_doubles(found: list[Event], paths: list[LegPath]) -> list[Event]:
    """Without landings of the two feet at nearly the same time: the less certain contact goes.

    That happens where the far leg was taken for the near one for a moment.
    """
    gaps = [b.front_s - a.front_s for p in paths for a, b in zip(p.supports[:-1], p.supports[1:])]
    if not gaps:
        return found
    stride = float(np.median(gaps))
    landings = sorted((e for e in found if e.kind == "touchdown"), key=lambda e: e.time_s)
    dropped: list[Event] = []
    for a, b in itertools.pairwise(landings):
        if a.side != b.side and b.time_s - a.time_s < LEAST_STEP * stride:
            dropped.append(max((a, b), key=lambda e: e.high_s - e.low_s))
    return [
        e
        for e in found
        if not any(d.side == e.side and -1e-9 <= e.time_s - d.time_s < 0.6 * stride for d in dropped)
    ]
