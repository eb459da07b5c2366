"""A runner of known motion, shown at half speed without saying so, is found out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sample_clips.runner import runner_at
from shared.analysis import Analysis
from shared.track import TimeBase
from technique.analyse import Athlete, analyse
from technique.targets import load_profile
from technique.time_base_check import TIMED_KEYS
from tests.true_motion import known, true_track


def _analysed(slow_down: float, scale: bool, noise_px: float = 0.5) -> Analysis:
    track = true_track(known(runner_at(3.2), 120.0, 3.0), noise_px, scale=scale)
    track = replace(track, time_s=track.time_s * slow_down)
    return analyse(track, load_profile("easy-run"), Athlete(stature_m=1.75), "2026-01-01", "test")


@pytest.mark.parametrize("scale", [True, False])
def test_half_speed_takes_the_times_out_and_leaves_the_angles(scale: bool) -> None:
    analysis = _analysed(2.0, scale)
    timed = [m for m in analysis.measures if m.key in TIMED_KEYS]
    assert timed and all(m.status == "not_measurable" for m in timed)
    assert any("2.0 times slower" in note for note in analysis.notes)
    assert not any(cue.key in TIMED_KEYS for cue in analysis.cues)
    thigh = analysis.measure("thigh_angle_max", "right")
    assert thigh is not None and thigh.status == "measured"


@pytest.mark.parametrize("scale", [True, False])
def test_real_time_keeps_them(scale: bool) -> None:
    analysis = _analysed(1.0, scale)
    contact = analysis.measure("contact_time", "right")
    assert contact is not None and contact.status == "measured"
    assert not any("slower than it was filmed" in note for note in analysis.notes)


@pytest.mark.parametrize(("told", "kept"), [("file", False), ("tag", False), ("user", True)])
def test_a_rhythm_of_no_running_is_refused_unless_the_user_gave_the_rate(
    told: TimeBase, kept: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the fall in flight can't be told, flights and half the usual steps a minute are enough."""
    monkeypatch.setattr("technique.time_base_check.fall_of", lambda _: None)
    track = true_track(known(runner_at(3.2), 120.0, 3.0), 0.5)
    track = replace(track, time_s=2.0 * track.time_s, clip=replace(track.clip, time_base=told))
    analysis = analyse(track, load_profile("easy-run"), Athlete(stature_m=1.75), "2026-01-01", "test")
    for key in ("contact_time", "step_time"):
        found = analysis.measure(key, "right")
        assert found is not None and (found.status == "measured") == kept
    duty = analysis.measure("duty_factor", "right")
    assert duty is not None and duty.status == "measured"  # a ratio of times keeps
    assert any("There are flights between the steps" in note for note in analysis.notes)
    assert not any(cue.key in TIMED_KEYS for cue in analysis.cues)
