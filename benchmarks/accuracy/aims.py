"""The accuracy that was aimed at, and what was reached."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from benchmarks.accuracy.study import Study

ANGLE_AIMS: Final = (
    ("trunk lean", "trunk_body", 2.0),
    ("thigh", "thigh_near", 2.0),
    ("knee", "knee_near", 3.0),
    ("shank", "shank_near", 2.0),
    ("elbow (angle in space)", "elbow_told_near", 5.0),
    ("foot", "foot_near", 4.0),
)
GOOD_RATE_HZ: Final = 120.0


@dataclass(frozen=True)
class Aim:
    """One line: what was aimed at, what came out, over how many."""

    words: str
    limit: str
    reached: str
    met: bool | None
    n: str
    why: str = ""


def aims(s: Study, real_events: pd.DataFrame | None) -> list[Aim]:
    """All aims with what was reached; `met` is None where nothing was measured."""
    return [*_angle_aims(s), *_event_aims(s), *_force_aims(real_events), *_body_aims(s), _legs_aim(s)]


def _good(s: Study, frame: pd.DataFrame, rate_hz: float = GOOD_RATE_HZ) -> pd.DataFrame:
    cases = s.cases[(s.cases["view"] == "good") & (s.cases.rate_hz >= rate_hz)]
    return frame[frame.case.isin(cases.case)]


def _angle_aims(s: Study) -> list[Aim]:
    out = []
    good = _good(s, s.angles)
    for words, key, limit in ANGLE_AIMS:
        rows = good[good.angle == key]
        n = f"{len(rows)} clips, {int(rows.n.sum()) if len(rows) else 0} frames"
        if not len(rows):
            out.append(Aim(f"{words}, every frame", f"MAE ≤ {limit:g}°", "not measured", None, n))
            continue
        mae, bias = float(rows.mae.mean()), float(rows.bias.mean())
        worst = float(rows.mae.max())
        reached = f"MAE {mae:.1f}° (mean over clips; worst clip {worst:.1f}°), bias {bias:+.1f}°"
        out.append(Aim(f"{words}, every frame", f"MAE ≤ {limit:g}°", reached, mae <= limit, n))
    return out


def _event_aims(s: Study) -> list[Aim]:
    out = []
    for kind, words in (("touchdown", "touchdown"), ("toe_off", "toe-off")):
        for places, said in ((("near",), "near foot"), (("near", "far"), "both feet")):
            rows = s.events[
                (s.events.kind == kind) & (s.events.rate_hz == 240.0) & s.events.side.isin(places)
            ]
            errors = rows.error_ms.dropna().to_numpy(float)
            if not len(errors):
                out.append(Aim(f"{words} at 240/s, {said}", "MAE ≤ 5 ms", "not measured", None, "0"))
                continue
            mae = float(np.abs(errors).mean())
            reached = f"MAE {mae:.1f} ms, bias {errors.mean():+.1f} ms"
            n = f"{len(errors)} events"
            out.append(Aim(f"{words} at 240/s, {said}", "MAE ≤ 5 ms", reached, mae <= 5.0, n))
    return out


def _force_aims(real: pd.DataFrame | None) -> list[Aim]:
    out = []
    for kind, words, limit in (
        ("touchdown", "touchdown against force", 4.5),
        ("toe_off", "toe-off against force", 6.0),
        ("contact", "contact time against force", 7.0),
    ):
        text = f"RMS ≤ {limit:g} ms" + (", bias ≤ 2 ms" if kind == "contact" else "")
        if real is None:
            out.append(Aim(words, text, "not measured: the data are not beside this checkout", None, "0"))
            continue
        e = real[(real.kind == kind) & (real.rate_hz == 150.0)].error_ms.dropna().to_numpy(float)
        rms, bias = float(np.sqrt(np.mean(e**2))), float(e.mean())
        met = rms <= limit and (kind != "contact" or abs(bias) <= 2.0)
        out.append(
            Aim(words, text, f"RMS {rms:.1f} ms, bias {bias:+.1f} ms", met, f"{len(e)}, runner held out")
        )
    return out


def _body_aims(s: Study) -> list[Aim]:
    good = _good(s, s.measures[s.measures["error"].notna()])
    out = []
    for key, words, limit, unit in (
        ("step_frequency", "step frequency", 0.5, "%"),
        ("speed", "speed", 2.0, "%"),
        ("step_length", "step length", 2.0, "%"),
        ("td_distance", "touchdown distance, near side", 2.0, "cm"),
    ):
        rows = good[(good.key == key) & (good.side != "far")]
        if key == "speed":  # on a treadmill it is what the user gave
            belt = s.cases[s.cases.camera == "treadmill"].case
            rows = rows[~rows.case.isin(belt)]
        text = f"within {limit:g} {unit}"
        if not len(rows):
            out.append(Aim(words, text, "not measured", None, "0"))
            continue
        e = (100.0 * rows.error / (rows.true if unit == "%" else 1.0)).to_numpy(float)
        mae, share = float(np.abs(e).mean()), float((np.abs(e) <= limit).mean())
        reached = f"MAE {mae:.1f} {unit}, bias {e.mean():+.1f} {unit}; {100 * share:.0f} % of clips within"
        out.append(Aim(words, text, reached, mae <= limit, f"{len(e)} clips"))
    return out


def _legs_aim(s: Study) -> Aim:
    bad, told = int(s.legs.bad.sum()), int(s.legs.told.sum())
    share = 100.0 * bad / max(told, 1)
    clips = int((s.legs.bad > 0).sum())
    reached = f"{share:.2f} % of frames (in {clips} of {len(s.legs)} clips)" if bad else "none"
    return Aim("legs exchanged, all clips", "< 0.5 % of frames", reached, share < 0.5, f"{told} frames")
