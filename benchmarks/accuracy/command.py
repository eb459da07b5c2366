"""The command line of the accuracy benchmark."""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

from benchmarks.accuracy.cases import LONGEST, Case, cases
from benchmarks.accuracy.seen import look

USUAL_CASES = 90


def _looked(case: Case, folder: Path, again: bool, any_version: bool) -> str:
    return look(case, folder, again, any_version)


def main(arguments: list[str] | None = None) -> int:
    """Run the benchmark; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.accuracy", description=__doc__)
    parser.add_argument("--cases", type=int, default=USUAL_CASES, help=f"how many, up to {LONGEST}")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("--cache", type=Path, default=Path("/tmp/accuracy_cache"), help="folder to keep work in")
    parser.add_argument("--again", action="store_true", help="look again at every case")
    parser.add_argument("--any-version", action="store_true", help="use what an older version looked at")
    parser.add_argument("--look-only", action="store_true", help="stop before the table")
    options = parser.parse_args(arguments)
    chosen = cases(options.cases)
    with ProcessPoolExecutor(options.workers) as pool:
        work = [pool.submit(_looked, c, options.cache, options.again, options.any_version) for c in chosen]
        for i, done in enumerate(as_completed(work)):
            print(f"{i + 1}/{len(chosen)} {done.result()}", flush=True)
    if options.look_only:
        return 0
    return 0


if __name__ == "__main__":
    sys.exit(main())
