"""Touchdown and toe-off against measured ground force, on runners the model was not fitted on.

Reference: Fukuchi, Fukuchi and Duarte 2017, PeerJ 5:e3298 (contacts above 50 N). The model is
fitted here on five runners and judged on three others (one each landing on the rear, mid and fore
foot). Best published, same kind of data: Hreljac and Marshall 2000, RMS 4.5 ms touchdown, 6.9 ms
toe-off, 7.5 ms contact time.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchmarks import events_data, events_fit
from benchmarks.events_study import Condition, Errors, Found, as_found, judged
from technique.events import events
from technique.events_model import Model, fitted_model
from technique.smoothed import Smoothed

pytestmark = pytest.mark.skipif(
    not events_data.FOLDER.exists(), reason="reference data folder not found beside the checkout"
)
HELD_OUT = ("rbds003", "rbds004", "rbds010")


@pytest.fixture(scope="module")
def trials() -> list[events_data.Trial]:
    return list(events_data.trials())


@pytest.fixture(scope="module")
def model(trials: list[events_data.Trial]) -> Model:
    used = [t for t in trials if t.runner not in HELD_OUT]
    chosen = [events_fit.Sample(t, "run", True, 0, moved) for t in used for moved in (False, True)]
    fitted = events_fit.fitted(events_fit.rows_of(chosen, rates=(60, 120)))
    extra = {(k[0], k[1], k[2]): m.extra for k, m in fitted_model().items() if k[3] == "fine"}
    return events_fit.with_extra(fitted, extra)


def _errors(trials: list[events_data.Trial], model: Model, condition: Condition) -> Errors:
    def method(s: Smoothed, m: Model) -> Found:
        return as_found(events(s, m))

    return judged([(t, model) for t in trials if t.runner in HELD_OUT], condition, method)


def _rms(x: np.ndarray) -> float:
    return float(np.sqrt(np.mean(x**2)))


@pytest.mark.parametrize(
    ("condition", "touchdown_ms", "toe_off_ms", "contact_ms"),
    [
        (Condition(120), 3.6, 3.6, 5.0),
        (Condition(60), 3.8, 3.8, 5.5),
        (Condition(60, 0.02), 8.0, 9.0, 12.5),
    ],
    ids=str,
)
def test_held_out_runners(
    trials: list[events_data.Trial],
    model: Model,
    condition: Condition,
    touchdown_ms: float,
    toe_off_ms: float,
    contact_ms: float,
) -> None:
    e = _errors(trials, model, condition)
    assert _rms(e.by_kind["touchdown"]) < touchdown_ms
    assert _rms(e.by_kind["toe_off"]) < toe_off_ms
    assert _rms(e.contact) < contact_ms
    bias = [abs(float(x.mean())) for x in e.by_kind.values()]
    assert max(bias) < (6.0 if condition.noise else 2.0)
    assert e.spurious == 0
    found = len(e.by_kind["touchdown"]) + len(e.by_kind["toe_off"])
    assert found >= 0.95 * e.expected
    for kind in e.inside:
        assert e.inside[kind].mean() >= 0.85
