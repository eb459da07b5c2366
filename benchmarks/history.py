"""How fast the pages' questions are with ten thousand stored analyses, and whether a kill loses a save.

Run::

    python benchmarks/history.py [--analyses 10000] [--athletes 40] [--kills 200]

All athletes and numbers are invented.
"""

from __future__ import annotations

import argparse
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from shared import history as H  # noqa: E402
from shared.analysis import Analysis, Curve, Measure, Observation, Provenance  # noqa: E402
from shared.analysis_json import to_document  # noqa: E402
from shared.catalogue import CURVES, MEASURES  # noqa: E402
from shared.history_documents import packed  # noqa: E402
from shared.history_save import insert, mark_latest, now, put_analysis, row_id  # noqa: E402
from shared.landmarks import SideOrBoth  # noqa: E402
from shared.track import ClipInfo, ViewQuality  # noqa: E402


def invented(number: int, samples: int = 240) -> Analysis:
    """An analysis of full size with invented numbers."""
    rng = np.random.default_rng(number)
    measures, observations = [], []
    for key, kind in MEASURES.items():
        sides: tuple[SideOrBoth, ...] = ("both",) if kind.sided == "both" else ("left", "right")
        for side in sides:
            v = float(rng.normal(30, 2))
            parts = {
                "strides": 1.2,
                "model": 2.0,
                "model bias": 0.4,
                "landmark noise": 0.3,
                "view angle": 0.1,
            }
            measures.append(Measure(key, side, v, kind.unit, v - 3, v + 3, 3, "measured", None, 40, parts))
            observations += [
                Observation(key, side, i, v + i / 10, kind.unit, v - 2, v + 2, 0.3 * i, 36 * i)
                for i in range(3)
            ]
    curves = []
    for key in CURVES:
        strides = rng.normal(20, 5, (3, 101))
        curves.append(Curve(key, "right", strides.mean(0), strides.std(0), np.full(101, 4.0), strides, 3))
    return Analysis(
        clip=ClipInfo("invented.mp4", f"{number:064x}", samples, 1920, 1080, 120.0, 30.0, "tag"),
        direction="right",
        near_side="right",
        near_side_confidence=0.99,
        camera="still",
        scale=None,
        quality=ViewQuality(3.0, 2.0, 0.2, 0.5, 400.0, 1.0),
        athlete={"stature_m": 1.75},
        profile="easy-run",
        frame=np.arange(samples, dtype=np.int64),
        time_s=np.arange(samples) / 120.0,
        angles={f"{key}_right": rng.normal(20, 5, samples) for key in CURVES},
        events=(),
        observations=tuple(observations),
        measures=tuple(measures),
        curves=tuple(curves),
        scores=(),
        cues=(),
        cautions=(),
        notes=(),
        provenance=Provenance("0.1.0", f"2026-01-01T00:00:{number % 60:02d}+00:00", "full", {}),
    )


def fill(history: H.History, analyses: int, athletes: int, passes: int = 4) -> list[str]:
    """Store invented analyses; half of them belong to the first athlete. Returns the athletes' ids.

    The same document is stored for every clip, since packing it is what takes time and the
    questions do not depend on it.
    """
    ids = []
    base = invented(0)
    uid, content = packed(to_document(base))
    shares = [analyses // 2] + [analyses // 2 // max(athletes - 1, 1)] * (athletes - 1)
    number = 0
    for person, count in enumerate(shares):
        with H.writing(history) as c:
            athlete = H.save_athlete(history, H.Athlete(f"A{person:03d}", stature_m=1.75)).id or ""
            ids.append(athlete)
            owner = row_id(history, c, "athletes", athlete)
            for i in range(count):
                if i % passes == 0:
                    n = i // passes
                    date = f"{2000 + n // 336}-{n // 28 % 12 + 1:02d}-{n % 28 + 1:02d}"
                    group = f"usual {n // 60}" if n % 6 == 0 else None
                    day = H.Session(athlete, date, condition="usual", repeat_group=group)
                    session = row_id(history, c, "sessions", H.save_session(history, day).id or "")
                number += 1
                clip = {"athlete_id": owner, "session_id": session, "sha256": f"{number:064x}"}
                row = insert(c, "clips", clip | {"name": "invented.mp4", "changed": now()})
                put_analysis(c, row, base, uid, content, now(), None)
                mark_latest(c, row)
    return ids


def middle_ms(job: Callable[[], object], times: int = 7) -> float:
    """Median time of a job, ms."""
    took = []
    for _ in range(times):
        start = time.perf_counter()
        job()
        took.append(1000 * (time.perf_counter() - start))
    return statistics.median(took)


def speeds(folder: Path, analyses: int, athletes: int) -> dict[str, float]:
    """Median time of each question, ms, and what else is worth knowing."""
    file = folder / "history.sqlite"
    with H.open_history(file) as history:
        ids = fill(history, analyses, athletes)
    found: dict[str, float] = {"file, MB": file.stat().st_size / 1e6}

    def opened() -> None:
        with H.open_history(file):
            pass

    found["open and check, ms"] = middle_ms(opened)
    with H.open_history(file) as history:
        first = ids[0]
        last = H.sessions(history, first)[0].id or ""
        found["trend of one measure, half of all clips, ms"] = middle_ms(
            lambda: H.series(history, first, "contact_time", "right")
        )
        found["squad, all measures, ms"] = middle_ms(lambda: H.squad(history))
        found["sessions of an athlete, ms"] = middle_ms(lambda: H.sessions(history, first))
        found["repeated takes of one measure, ms"] = middle_ms(
            lambda: H.repeated_points(history, first, "contact_time", "right")
        )
        found["repeats, ms"] = middle_ms(lambda: H.repeats(history, first))
        found["whole analyses of a session, ms"] = middle_ms(lambda: H.session_analyses(history, last))
        day = H.save_session(history, H.Session(first, "2099-01-01")).id or ""
        new = iter(range(10**6, 10**6 + 100))
        found["save one, ms"] = middle_ms(lambda: H.save_analysis(history, invented(next(new)), day))
        found["check everything, ms"] = middle_ms(lambda: H.check(history), 1)
        found["delete one athlete, ms"] = middle_ms(lambda: H.delete_athlete(history, ids[-1]), 1)
    return found


SAVER = """
import sys
sys.path.insert(0, sys.argv[3])
from pathlib import Path
from dataclasses import replace
from benchmarks.history import invented, H
base = invented(1, 60)
with H.open_history(Path(sys.argv[1])) as history:
    day = H.sessions(history, H.athletes(history)[0].id)[0].id
    print("ready", flush=True)
    for i in range(int(sys.argv[2]), int(sys.argv[2]) + 10**6):
        clip = replace(base.clip, sha256=f"{i:064x}")
        H.save_analysis(history, replace(base, clip=clip), day)
        print(i, flush=True)
"""


def kills(folder: Path, times: int, seed: int = 1) -> tuple[int, int]:
    """Kill a saving program at random moments; (saves reported, saves lost). Raises on damage."""
    rng = random.Random(seed)
    file = folder / "killed.sqlite"
    with H.open_history(file) as history:
        athlete = H.save_athlete(history, H.Athlete("A1")).id or ""
        day = H.save_session(history, H.Session(athlete, "2026-05-01")).id or ""
    reported: set[str] = set()
    for turn in range(times):
        command = [sys.executable, "-c", SAVER, str(file), str((turn + 1) * 10**6), str(ROOT)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as saver:
            assert saver.stdout is not None
            saver.stdout.readline()
            time.sleep(rng.uniform(0.0, 0.15))
            saver.send_signal(signal.SIGKILL)
            lines = saver.stdout.read().splitlines()
        # The last line may be cut short by the kill.
        reported |= {f"{int(x):064x}" for x in lines if len(x) == len(str((turn + 1) * 10**6))}
        with H.open_history(file) as history:
            kept = {c.sha256 for c in H.clips(history, day)}
            if lost := reported - kept:
                return len(reported), len(lost)
    with H.open_history(file) as history:
        H.check(history)
    return len(reported), 0


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--analyses", type=int, default=10_000)
    parser.add_argument("--athletes", type=int, default=40)
    parser.add_argument("--kills", type=int, default=0)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        if told.analyses:
            for name, value in speeds(Path(folder), told.analyses, told.athletes).items():
                print(f"{name:45s} {value:10.1f}")
        if told.kills:
            reported, lost = kills(Path(folder), told.kills)
            print(f"{told.kills} kills: {reported} saves reported, {lost} lost, file sound")


if __name__ == "__main__":
    main()
