"""Kills and damage in numbers: what is lost, what crashes.

Run::

    python benchmarks/reliability.py [--kills 200] [--results 200] [--measures 6] [--flips 400]

Prints a table, as in docs/reliability.md. All people and numbers are invented. Not on Windows.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from shared import history as H  # noqa: E402
from shared.errors import ClipError  # noqa: E402
from tests.clip_maker import make_clip  # noqa: E402
from tests.history_helpers import clip_analysis, day, person  # noqa: E402
from tests.test_hostile_faults import killed_fills, whole_number  # noqa: E402
from ui.job import ANALYSIS_NAME  # noqa: E402
from ui.leftovers import put_back  # noqa: E402

LONGEST_S = 0.06
"""A kill falls at a random moment up to this after the program has begun to save: several saves."""
CLIP = ROOT / "sample_clips" / "clips" / "track_side_120.mp4"


def _save_on_and_on(file: Path, session: str, first: int, told: int) -> None:
    with H.open_history(file) as history:
        for i in range(first, first + 10**6):
            H.save_analysis(history, clip_analysis(i), session)
            os.write(told, i.to_bytes(8, "big"))


def killed(job: Callable[..., None], wait_s: float, *values: object) -> list[int]:
    """Start `job` in a process of its own, kill it `wait_s` after its first report; all it reported."""
    ear, mouth = os.pipe()
    process = multiprocessing.get_context("fork").Process(target=job, args=(*values, mouth))
    process.start()
    os.close(mouth)
    heard = os.read(ear, 8)
    time.sleep(wait_s)
    assert process.pid is not None
    os.kill(process.pid, signal.SIGKILL)
    process.join()
    while more := os.read(ear, 4096):
        heard += more
    os.close(ear)
    return [int.from_bytes(heard[i : i + 8], "big") for i in range(0, len(heard) - 7, 8)]


def history_kills(folder: Path, times: int, rng: random.Random) -> dict[str, int]:
    """Kills of a program that saves analyses; every reported save is looked for after each."""
    file = folder / "history.sqlite"
    with H.open_history(file) as history:
        session = day(history, person(history))
    reported: set[str] = set()
    lost: set[str] = set()
    unreported = 0
    for turn in range(times):
        said = killed(_save_on_and_on, rng.uniform(0, LONGEST_S), file, session, (turn + 1) * 10**6)
        reported |= {f"{i:064x}" for i in said}
        with H.open_history(file) as history:
            kept = {c.sha256 for c in H.clips(history, session)}
        lost |= reported - kept
        unreported = len(kept - reported)
    with H.open_history(file) as history:
        H.check(history)
    return {
        "kills": times,
        "saves reported as done": len(reported),
        "of them lost": len(lost),
        "done but killed before the report": unreported,
    }


def result_kills(folder: Path, times: int, rng: random.Random) -> dict[str, int]:
    """Kills of a program that writes one result over the other, and what the next start makes of them."""
    count: Counter[str] = Counter(
        {
            "kills": times,
            "a whole result found": 0,
            "said not to be whole, put in place by the next start": 0,
            "neither old nor new": 0,
            "half shown as whole": 0,
        }
    )
    for turn in range(times):
        try:
            last, found = killed_fills(folder / "out", (turn + 1) * 10**6, rng)
            if found is None:
                put_back(folder / "out")
                found = whole_number(folder / "out")
                word = "neither old nor new"
                if found is not None:
                    word = "said not to be whole, put in place by the next start"
            else:
                word = "a whole result found"
            right = found in (None, last, last + 1)
        except (AssertionError, FileNotFoundError):
            word, right = "", False
        count[word if right else "half shown as whole"] += 1
    return dict(count)


def _sizes(folder: Path) -> dict[str, int]:
    """Bytes of each finished file by its path inside `folder`."""
    return {
        p.relative_to(folder).as_posix(): p.stat().st_size
        for p in folder.rglob("*")
        if p.is_file() and ".part-" not in p.as_posix()
    }


def measure_kills(folder: Path, times: int, rng: random.Random) -> dict[str, int]:
    """Kills of a real measurement at random moments of its whole length."""
    command = [
        sys.executable,
        "-m",
        "ui.cli",
        "measure",
        str(CLIP),
        "--effort",
        "quick",
        "--no-cache",
        "--out",
    ]
    start = time.monotonic()
    subprocess.run([*command, str(folder / "whole")], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    length = time.monotonic() - start
    count: Counter[str] = Counter(
        {"kills": times, "no result claimed": 0, "a whole result found": 0, "half shown as whole": 0}
    )
    wanted = _sizes(folder / "whole")
    for turn in range(times):
        out = folder / f"killed-{turn}"
        process = subprocess.Popen([*command, str(out)], cwd=ROOT, stdout=subprocess.DEVNULL)
        try:
            process.wait(rng.uniform(0, length))
        except subprocess.TimeoutExpired:
            process.kill()
        process.wait()
        if not (out / ANALYSIS_NAME).exists():
            count["no result claimed"] += 1
            continue
        # Killed while it said good-bye: the same files, none much smaller than it should be.
        found = _sizes(out)
        whole = found.keys() == wanted.keys() and all(found[k] > 0.9 * wanted[k] for k in wanted)
        count["a whole result found" if whole else "half shown as whole"] += 1
    return dict(count)


def flips(folder: Path, times: int, rng: random.Random) -> dict[str, int]:
    """Random damage of small clips of four kinds, each read whole in this process."""
    from vision.clip import frames
    from vision.clip_probe import probe

    clips = [
        make_clip(folder / f"a.{kind}", [3000 * i for i in range(24)]) for kind in ("mp4", "mov", "mkv", "ts")
    ]
    count: Counter[str] = Counter(
        {"damaged clips": times, "refused in one sentence": 0, "read": 0, "crashed": 0}
    )
    slowest = 0.0
    for turn in range(times):
        path = clips[turn % len(clips)]
        whole = path.read_bytes()
        data = np.frombuffer(whole, np.uint8).copy()
        for _ in range(rng.randrange(1, 12)):
            at = rng.randrange(len(data)) if rng.random() < 0.5 else rng.randrange(min(1500, len(data)))
            data[at] ^= np.uint8(1 << rng.randrange(8))
        hurt = folder / f"hurt{path.suffix}"
        hurt.write_bytes(data.tobytes())
        start = time.process_time()
        try:
            sum(1 for _ in frames(probe(hurt)))
            count["read"] += 1
        except ClipError as error:
            assert len(str(error).splitlines()) == 1
            count["refused in one sentence"] += 1
        except Exception as error:
            print(f"crash: {error!r}")
            count["crashed"] += 1
        slowest = max(slowest, time.process_time() - start)
    return {**count, "slowest, ms of processor": round(1000 * slowest)}


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--results", type=int, default=200)
    parser.add_argument("--measures", type=int, default=6)
    parser.add_argument("--flips", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    for name, run, times in (
        ("saves into the history", history_kills, told.kills),
        ("results written over results", result_kills, told.results),
        ("damaged clips", flips, told.flips),
        ("measurements", measure_kills, told.measures),
    ):
        if times:
            with tempfile.TemporaryDirectory() as folder:
                found = run(Path(folder), times, random.Random(told.seed))
            print(f"{name}: " + ", ".join(f"{k} {v}" for k, v in found.items()), flush=True)


if __name__ == "__main__":
    main()
