"""Step frequency and step length of a filmed run, beside the speed profile of a timed one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from shared.analysis import Measure
from shared.landmarks import SideOrBoth
from shared.units import Units
from technique.rulers import ruler, speed_ruler
from technique.takes import Take

KEYS: Final[tuple[str, ...]] = ("speed", "step_frequency", "step_length")
SAME_SPEED: Final[float] = 0.05
"""A clip within this share of the top speed shows the steps of the top speed (a judgement, as in
`technique.takes`)."""


@dataclass(frozen=True)
class RunSteps:
    """What a clip shows of the steps.

    Attributes
    ----------
    speed_mps : float or None
        Measured in the clip, else as given for the session.
    share_of_top : float or None
        Of the speed profile's top speed.
    frequency : Measure or None
        Steps a minute.
    lengths : tuple of Measure
        Metres, of each side that is measured.
    sentence : str
        To be printed unchanged.
    """

    speed_mps: float | None
    share_of_top: float | None
    frequency: Measure | None
    lengths: tuple[Measure, ...]
    sentence: str


def run_steps(t: Take, v_max: float | None = None, units: Units = "metric") -> RunSteps | None:
    """The steps of a take beside a top speed; None when neither frequency nor length is measured.

    Parameters
    ----------
    t : Take
        Of the session of the timed run, or of the same day.
    v_max : float, optional
        Top speed of the profile, m/s.
    units : {"metric", "imperial"}
        Of the sentence.
    """
    frequency = _measured(t, "step_frequency", "both")
    sides: tuple[SideOrBoth, ...] = ("left", "right")
    lengths = tuple(m for s in sides if (m := _measured(t, "step_length", s)) is not None)
    if frequency is None and not lengths:
        return None
    share = t.speed_mps / v_max if t.speed_mps and v_max else None
    return RunSteps(t.speed_mps, share, frequency, lengths, _sentence(t, share, frequency, lengths, units))


def _measured(t: Take, key: str, side: SideOrBoth) -> Measure | None:
    m = t.measure(key, side)
    return m if m is not None and m.value is not None else None


def _sentence(
    t: Take, share: float | None, frequency: Measure | None, lengths: tuple[Measure, ...], units: Units
) -> str:
    parts = []
    if t.speed_mps:
        speed = speed_ruler(units).change(t.speed_mps)
        parts.append(speed if share is None else f"{speed}, {100 * share:.0f} % of the top speed")
    if frequency is not None:
        parts.append(f"step frequency {_shown(frequency, 0, units)}")
    for m in lengths:
        parts.append(f"step length {_shown(m, 2, units)}, {m.side}")
    text = f"Filmed on {t.date[:10]}{f' ({t.label})' if t.label and t.label != t.date else ''}: "
    text += "; ".join(parts) + "."
    if share is not None and abs(share - 1.0) > SAME_SPEED:
        text += " Step frequency and length change with speed: these are not those of the top speed."
    if not lengths:
        text += " No step length: it needs a scale (body height or a marked distance)."
    return text


def _shown(m: Measure, digits: int, units: Units) -> str:
    assert m.value is not None
    shown = ruler(m.key, m.unit, units, digits)
    value = shown.value(m.value)
    if m.low is None or m.high is None:
        return value
    return f"{value} (95 % interval {shown.between(m.low, m.high)})"
