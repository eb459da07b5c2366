"""How fast the trend and the squad come up, from the history file to the finished words.

Run::

    python benchmarks/history_views.py [--analyses 10000] [--athletes 40]

All athletes and numbers are invented. The processor time is told beside the
clock, since a busy machine stretches the latter.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from benchmarks.history import fill  # noqa: E402
from shared import history as H  # noqa: E402
from ui.history_views import squad_lines, trend_view  # noqa: E402


def middle_ms(job: Callable[[], object], times: int = 5) -> tuple[float, float]:
    """Median of clock and of processor time, ms."""
    clock, processor = [], []
    for _ in range(times):
        start = time.perf_counter(), time.process_time()
        job()
        clock.append(1000 * (time.perf_counter() - start[0]))
        processor.append(1000 * (time.process_time() - start[1]))
    return statistics.median(clock), statistics.median(processor)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--analyses", type=int, default=10_000)
    parser.add_argument("--athletes", type=int, default=40)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "history.sqlite"
        with H.open_history(file) as history:
            fill(history, told.analyses, told.athletes)
        with H.open_history(file) as history:
            first, *_, last = H.athletes(history)
            for name, job in (
                (
                    "trend of the athlete with half of all clips",
                    lambda: trend_view(history, first, "contact_time", "right"),
                ),
                ("trend of another athlete", lambda: trend_view(history, last, "contact_time", "right")),
                ("squad, everybody", lambda: squad_lines(history)),
            ):
                clock, processor = middle_ms(job)
                print(f"{name:45s} {clock:8.0f} ms, processor {processor:8.0f} ms")


if __name__ == "__main__":
    main()
