"""The demonstration's invented weeks: what was chosen is what is found, and all of it is labelled."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from shared import history as H
from shared.catalogue import SYMMETRY_PREFIX
from technique.targets import load_profile
from tests.invented_weeks import base, invented
from ui.demo_history import DRILLS, DUE, KNEE_LIFT_DEG, RETURNING, RUNNER, USUAL, DemoFiles, show_history
from ui.history_find import athlete_named, repeated_takes, session_group, sessions_named
from ui.history_invented import NOTE, Chosen, invented_pass, mirrored
from ui.history_report import compared
from ui.history_views import squad_lines

TODAY = date(2026, 5, 4)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoFiles:
    return show_history(base(), tmp_path_factory.mktemp("demo"), TODAY)


def test_everything_is_labelled_invented(demo: DemoFiles) -> None:
    with H.open_history(demo.history, read_only=True) as h:
        for athlete in H.athletes(h):
            assert athlete.notes == NOTE
            assert athlete.name.startswith("Invented")
            for session in H.sessions(h, athlete.id or ""):
                assert all(a.notes == (NOTE,) for a in H.session_analyses(h, session.id or ""))
    for page in (demo.comparison, demo.check):
        assert "Invented example" in page.read_text(encoding="utf-8")
    assert "invented" in demo.trend.read_text(encoding="utf-8")


def test_the_weeks_show_the_knee_lift_that_was_put_in(demo: DemoFiles) -> None:
    with H.open_history(demo.history, read_only=True) as h:
        runner = athlete_named(h, RUNNER)
        sessions = H.sessions(h, runner.id or "")
        assert len(sessions) == 8
        assert (date.fromisoformat(sessions[0].date) - date.fromisoformat(sessions[-1].date)).days == 49
        groups = [session_group(h, sessions_named(h, runner, said)) for said in (USUAL, "latest")]
        found = compared(*groups, repeated_takes(h, runner.id or ""))
    for side in ("left", "right"):
        change = found.comparison.change("thigh_angle_max", side)  # type: ignore[arg-type]
        assert change is not None
        assert change.verdict == "changed"
        assert change.low is not None and change.high is not None
        assert change.low <= KNEE_LIFT_DEG[-1] <= change.high
    others = {
        c.key.removeprefix(SYMMETRY_PREFIX)
        for c in found.comparison.changed
        if "thigh_angle_max" not in c.key
    }
    # At most one in twenty measures by chance, on average; the seed is fixed.
    assert len(others) <= 4
    assert {c.key for c in found.curves if any(p.beyond_repeat for p in c.parts)} <= {"thigh", "hip"}


def test_the_squad_of_the_demonstration_has_somebody_due(demo: DemoFiles) -> None:
    with H.open_history(demo.history, read_only=True) as h:
        lines = {line.athlete.name: line for line in squad_lines(h, 28, TODAY)}
    assert lines[DUE].due and not lines[RUNNER].due and not lines[RETURNING].due
    assert lines[RUNNER].since is not None
    assert lines[RUNNER].since.condition == DRILLS


def test_the_demonstration_can_be_run_again(demo: DemoFiles) -> None:
    again = show_history(base(), demo.history.parent, TODAY)
    assert again.sentences == demo.sentences
    with H.open_history(again.history, read_only=True) as h:
        assert len(H.athletes(h)) == 3


def test_a_mirrored_pass_exchanges_the_sides_and_back() -> None:
    a = base()
    other = mirrored(a)
    assert other.near_side != a.near_side
    left, right = a.measure("contact_time", "left"), other.measure("contact_time", "right")
    assert left is not None and right is not None
    assert left.value == right.value
    back = mirrored(other)
    assert back.near_side == a.near_side
    assert list(back.measures) == [m for m in a.measures if not m.key.startswith(SYMMETRY_PREFIX)]


def test_a_chosen_change_moves_value_and_interval_by_exactly_that() -> None:
    rng = np.random.default_rng
    profile = load_profile("fast-run")
    plain, moved = (
        invented_pass(base(), "x", "2026-01-01T00:00:00+00:00", "right", {}, chosen, rng(3), profile)
        for chosen in (Chosen(), Chosen({("trunk_lean", "both"): 4.0}, {("contact_time", "left"): 0.1}))
    )
    for m, n in zip(plain.measures, moved.measures):
        if m.value is None or n.value is None or m.key.startswith(SYMMETRY_PREFIX):
            continue
        first = next(b.value for b in base().measures if (b.key, b.side) == (m.key, m.side))
        assert first is not None
        expected = 4.0 if m.key == "trunk_lean" else 0.0
        if (m.key, m.side) == ("contact_time", "left"):
            expected = 0.1 * first
        assert n.value - m.value == pytest.approx(expected)
        assert m.low is not None and n.low is not None
        assert n.low - m.low == pytest.approx(expected)


def test_the_same_name_and_seed_give_the_same_pass() -> None:
    first, second = invented("same", seed=5), invented("same", seed=5)
    assert first.measures == second.measures
    assert first.clip.sha256 == second.clip.sha256
