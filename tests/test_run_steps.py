"""Step frequency and length beside a speed profile."""

from __future__ import annotations

from pathlib import Path

import pytest

from shared import history as H
from technique.run_steps import run_steps
from tests.comparison_helpers import a_take, measure
from tests.history_helpers import day, id_of, person
from tests.invented_weeks import invented
from ui.history_views import filmed_steps


def _take(speed: float, frequency: float, **facts: object):  # type: ignore[no-untyped-def]
    length = 60.0 * speed / frequency
    measures = (
        measure("speed", "both", speed, {"strides": 0.05}),
        measure("step_frequency", "both", frequency, {"strides": 3.0}),
        measure("step_length", "left", length, {"strides": 0.02}),
    )
    return a_take(measures=measures, speed_mps=speed, **facts)


def test_length_times_frequency_is_the_speed_and_the_share_is_of_the_top_speed() -> None:
    """Closed form: speed = step length x step frequency."""
    found = run_steps(_take(8.1, 243.0), 9.0)
    assert found is not None and found.frequency is not None and found.frequency.value is not None
    (length,) = found.lengths
    assert length.value is not None
    assert length.value * found.frequency.value / 60.0 == pytest.approx(8.1)
    assert found.share_of_top == pytest.approx(0.9)
    assert "8.10 m/s, 90 % of the top speed" in found.sentence
    assert "step frequency 243 steps/min (95 % interval 240 to 246)" in found.sentence
    assert "step length 2.00 m (95 % interval 1.98 to 2.02), left" in found.sentence
    assert "not those of the top speed" in found.sentence
    at_top = run_steps(_take(8.8, 250.0), 9.0)
    assert at_top is not None and "not those" not in at_top.sentence


def test_what_is_missing_is_said_or_left_out() -> None:
    only = a_take(measures=(measure("step_frequency", "both", 180.0),), speed_mps=None)
    found = run_steps(only, 9.0)
    assert found is not None and found.share_of_top is None and found.lengths == ()
    assert "needs a scale" in found.sentence and "m/s" not in found.sentence
    assert run_steps(a_take(measures=(measure("trunk_lean", "both", 6.0),))) is None


def test_clips_of_the_run_are_found(tmp_path: Path) -> None:
    with H.open_history(tmp_path / "history.sqlite") as h:
        athlete = person(h, "A1")
        sessions = {}
        for i, (date, condition) in enumerate(
            (("2026-05-01", "usual"), ("2026-05-01", "new shoes"), ("2026-05-08", "usual"))
        ):
            sessions[date, condition] = s = day(h, athlete, date, condition=condition)
            H.save_analysis(h, invented(f"clip {i}", "right", seed=i), s)
        who = H.athlete(h, athlete)

        def found(**values: object) -> list[str]:
            run = H.RunTime(athlete, "2026-05-01", 60.0, 8.0, "gates", **values)  # type: ignore[arg-type]
            return [s.sentence.partition(":")[0] for s in filmed_steps(h, who, run, 8.0)]

        assert found(condition="usual") == ["Filmed on 2026-05-01 (usual)"]
        assert sorted(found()) == ["Filmed on 2026-05-01 (new shoes)", "Filmed on 2026-05-01 (usual)"]
        # The session it was run in goes before the day.
        assert found(session=sessions["2026-05-08", "usual"], condition="new shoes") == [
            "Filmed on 2026-05-08 (usual)"
        ]
        none = H.RunTime(athlete, "2026-06-01", 60.0, 8.0, "gates")
        assert filmed_steps(h, who, none) == ()
        assert id_of(who) == athlete
