"""The command line of the accuracy benchmark.

    python -m benchmarks.accuracy [--cases 90] [--workers 2]

Looks at every case that the cache does not hold yet (stop it and start it again at will), runs the
technique stage over all of them and over the measured running, fits the error table, and writes
docs/accuracy.md with its plots, technique/data/error_table.json and the slice that belongs to it.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path
from typing import Any

import pandas as pd

from benchmarks.accuracy import golden, real_motion
from benchmarks.accuracy.aims import aims
from benchmarks.accuracy.cases import LONGEST, cases
from benchmarks.accuracy.page import page
from benchmarks.accuracy.plots import write_plots
from benchmarks.accuracy.seen import look
from benchmarks.accuracy.study import code_version, half_without, study
from technique.error_model import load_error_table, write_error_table

USUAL_CASES = 90
ROOT = Path(__file__).resolve().parents[2]
START = Path(__file__).with_name("start_table.json")


def real_frames(folder: Path, again: bool) -> tuple[pd.DataFrame, pd.DataFrame] | None:
    """Measures and events of the measured running; kept in the cache. None where the data are absent."""
    if not real_motion.there():
        print("The treadmill running data are not beside this checkout; that part is left out.")
        return None
    kept, version = folder / "real_motion.pkl", code_version()
    stored = pickle.loads(kept.read_bytes()) if kept.exists() and not again else None
    if stored is not None and stored[0] == version:
        found = stored[1]
    else:
        found = ([], [])
        for clip in real_motion.clips(real_motion.held_out()):
            found[0].extend(real_motion.measure_rows(clip))
            found[1].extend(real_motion.event_rows(clip))
        kept.write_bytes(pickle.dumps((version, found)))
    measures = pd.DataFrame(found[0])
    seen = measures["error"].notna()
    measures["half"] = float("nan")
    measures.loc[seen, "half"] = [
        half_without(parts, "model", "bias not taken out") for parts in measures.loc[seen, "parts"]
    ]
    measures["inside"] = measures["error"].abs() <= measures["half"]
    return measures, pd.DataFrame(found[1])


def main(arguments: list[str] | None = None) -> int:
    """Run the benchmark; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.accuracy", description=__doc__)
    parser.add_argument("--cases", type=int, default=USUAL_CASES, help=f"how many, up to {LONGEST}")
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument(
        "--cache",
        type=Path,
        default=Path(tempfile.gettempdir()) / "accuracy_cache",
        help="folder for work done",
    )
    parser.add_argument("--again", action="store_true", help="look again at every case")
    parser.add_argument("--any-version", action="store_true", help="use what an older version looked at")
    parser.add_argument("--real-again", action="store_true", help="run the measured running again")
    parser.add_argument("--look-only", action="store_true", help="stop before the table")
    parser.add_argument("--no-look", action="store_true", help="only what the cache holds")
    parser.add_argument("--dry", type=Path, help="write page, plots and table to this folder instead")
    options = parser.parse_args(arguments)
    start = time.perf_counter()
    chosen = cases(options.cases)
    if not options.no_look:
        with ProcessPoolExecutor(options.workers) as pool:
            work = [pool.submit(look, c, options.cache, options.again, options.any_version) for c in chosen]
            for i, done in enumerate(as_completed(work)):
                print(f"{i + 1}/{len(chosen)} {done.result()}", flush=True)
    if options.look_only:
        return 0
    s = study(chosen, options.cache, load_error_table(START), options.workers, options.any_version)
    print(f"{len(s.cases)} cases judged after {time.perf_counter() - start:.0f} s", flush=True)
    (options.cache / "study.pkl").write_bytes(pickle.dumps(s))
    found = real_frames(options.cache, options.real_again)
    real: Any = found[0] if found else None
    real_events: Any = found[1] if found else None
    curves = real_motion.published_curves() if real_motion.there() else []
    docs = options.dry or ROOT / "docs"
    docs.mkdir(parents=True, exist_ok=True)
    write_plots(s, real, real_events, docs / "pictures")
    text = page(s, real, real_events, curves, time.perf_counter() - start)
    (docs / "accuracy.md").write_text(text, encoding="utf-8")
    write_error_table(s.table, (options.dry / "error_table.json") if options.dry else golden.TABLE)
    if not options.dry:
        golden.write_golden()
    for aim in aims(s, real_events):
        print({True: "met    ", False: "not met", None: "-      "}[aim.met], aim.words, "|", aim.reached)
    return 0


if __name__ == "__main__":
    sys.exit(main())
