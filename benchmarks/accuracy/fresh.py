"""Intervals on cases that had no part in any choice, told by a table fitted on the first cases alone.

    python -m benchmarks.accuracy.fresh [--fitted-on 44] [--from 53] [--cases 90]

Uses what `python -m benchmarks.accuracy` left in the cache, and prints lines for docs/accuracy.md.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path
from unittest import mock

from benchmarks.accuracy import study as whole
from benchmarks.accuracy.agreement import coverage, verdict
from benchmarks.accuracy.cases import cases
from benchmarks.accuracy.command import START
from technique.error_model import load_error_table


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--cases", type=int, default=90)
    parser.add_argument("--fitted-on", type=int, default=44, help="the first so many cases")
    parser.add_argument("--from", dest="first", type=int, default=53, help="the first case judged")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "accuracy_cache")
    options = parser.parse_args()
    chosen = [c for c in cases(options.cases) if not options.fitted_on <= c.number < options.first]
    with mock.patch.object(whole, "fold_of", lambda number: int(number >= options.fitted_on)):
        s = whole.study(chosen, options.cache, load_error_table(START), options.workers)
    fresh = s.measures[(s.measures["case"] >= options.first) & s.measures["error"].notna()]
    print("| measure | side | n | bias | MAE | held |  |", "|---|---|---|---|---|---|---|", sep="\n")
    said: list[str] = []
    for (key, side), rows in fresh.groupby(["key", "side"], sort=False):
        c = coverage([bool(i) for i in rows["inside"]])
        said.append(verdict(c))
        error = rows["error"].astype(float)
        print(
            f"| {key} | {side} | {len(rows)} | {error.mean():+.3g} | {error.abs().mean():.3g} "
            f"| {100 * c.share:.0f} % | {said[-1]} |"
        )
    print(f"\nAll together: {100 * fresh['inside'].astype(bool).mean():.1f} % of {len(fresh)}")
    for word in sorted(set(said)):
        print(f"{word}: {said.count(word)} of {len(said)}")
    events = s.events[(s.events["case"] >= options.first) & s.events["error_ms"].notna()]
    print(f"Events: {100 * events['inside'].astype(bool).mean():.1f} % of {len(events)}")


if __name__ == "__main__":
    main()
