"""Questions about everybody at once answer as those about each athlete do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from shared import history as H
from technique.comparison_repeats import own_repeatability
from tests.history_helpers import clip_analysis, day, id_of, person
from ui.history_find import MOST_REPEATS, day_repeats, filmed_sessions, newest_repeats, repeated_takes

KEYS = ("contact_time", "step_frequency")


def _clip(history: H.History, session: str, number: int, shift: float, near: str = "right") -> None:
    base = clip_analysis(number)
    moved = tuple(
        m if m.value is None or m.unit == "class" else replace(m, value=m.value + shift)
        for m in base.measures
    )
    H.save_analysis(history, replace(base, measures=moved, near_side=near), session)  # type: ignore[arg-type]


@pytest.fixture
def squad(tmp_path: Path):  # type: ignore[no-untyped-def]
    """Three invented athletes: many days and conditions, one day, none."""
    rng = np.random.default_rng(5)
    with H.open_history(tmp_path / "history.sqlite") as h:
        many, one = person(h, "Many"), person(h, "One")
        person(h, "None")
        number = 0
        for i in range(9):
            condition = ("usual", "usual", "with the belt")[i % 3]
            group = "usual" if condition == "usual" and i < 6 else None
            s = day(h, many, f"2026-03-{i + 1:02d}", condition=condition, place="hall", repeat_group=group)
            if i == 7:
                continue  # never filmed
            for near in ("left", "right", "right")[: 1 + i % 3]:
                number += 1
                _clip(h, s, number, float(rng.normal()), near)
        _clip(h, day(h, one), 1000, 0.0)
        yield h


def _before(history: H.History, athlete: H.Athlete) -> H.Session | None:
    """Walked one by one: the last filmed session of the same condition, else of any."""
    *earlier, latest = filmed_sessions(history, athlete)
    same = [s for s in earlier if s.condition == latest.condition]
    return (same or earlier or [None])[-1]


def test_the_session_before_is_the_last_of_the_same_condition(squad: H.History) -> None:
    found = H.sessions_before(squad)
    many, nobody, one = H.athletes(squad)
    assert found.get(id_of(many)) == _before(squad, many)
    assert found[id_of(many)].condition == "with the belt" and found[id_of(many)].date == "2026-03-06"
    assert id_of(one) not in found and id_of(nobody) not in found


def test_squad_and_points_are_those_of_each_session(squad: H.History) -> None:
    rows = {r.athlete.name: r for r in H.squad(squad, KEYS)}
    assert rows["None"].session is None and rows["None"].points == ()
    latest = rows["Many"].session
    assert latest is not None and latest.date == "2026-03-09"
    assert rows["Many"].points == H.session_points(squad, id_of(latest), KEYS)
    every = {p.measure.key for p in H.squad(squad)[0].points}
    assert every - set(KEYS) and {p.measure.key for p in rows["Many"].points} == every & set(KEYS)
    ids = [id_of(s) for s in H.sessions(squad, id_of(rows["Many"].athlete))]
    assert H.sessions_points(squad, ids) == {i: points for i in ids if (points := H.session_points(squad, i))}


def test_day_to_day_error_from_bare_means_is_that_of_whole_takes(squad: H.History) -> None:
    many = id_of(H.athletes(squad)[0])
    whole, bare = repeated_takes(squad, many), day_repeats(squad, KEYS)[many]
    assert [[t.date for t in own] for own in bare] == [[t.date for t in own] for own in whole]
    for key in KEYS:
        for side in ("left", "right", "both"):
            a, b = (own_repeatability(r, key, side, False) for r in (whole, bare))  # type: ignore[arg-type]
            assert (a is None) == (b is None)
            if a is not None and b is not None:
                assert b.freedom == a.freedom == 3 and b.sem == pytest.approx(a.sem, rel=1e-12)


def test_only_the_newest_repeats_are_learned_from() -> None:
    def group(name: str, days: int, month: int) -> H.RepeatGroup:
        return H.RepeatGroup(
            name, tuple(H.Session("a", f"2026-{month:02d}-{d + 1:02d}", id=f"{name}{d}") for d in range(days))
        )

    newest = newest_repeats([group("old", 25, 1), group("new", 15, 2)])
    assert [s.id for s in newest[0]] == [f"new{d}" for d in range(15)]
    assert [s.id for s in newest[1]] == [f"old{d}" for d in range(20, 25)]
    assert sum(len(own) for own in newest) == MOST_REPEATS
