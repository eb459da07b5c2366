"""One piece of work in its own process: the first look at a clip, or the whole measurement.

Run as ``python -m ui.screens.work look|measure KEY``. It reports into ``progress.json`` and stops
when a file named ``cancel`` appears in the job's folder.
"""

from __future__ import annotations

import json
import sys
import time
import traceback
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from shared.errors import Cancelled, LanesideError
from shared.progress import Progress
from shared.track_file import read_track
from ui.by_hand import FILE
from ui.job import TRACK_NAME
from ui.screens import store
from ui.screens.store import FRAMES, STALE

REPORT_EVERY_S: Final = 0.25
FAULT: Final = (
    "{name}: the program itself failed on this clip; try another clip, and report it with the file "
    "work.log from this clip's folder."
)
SHARE: Final = {
    "looking for people": 0.15,
    "following the athlete": 0.6,
    "pictures": 0.05,
    "annotated video": 0.2,
}
"""About how much of the time each stage takes; only for the time left."""


def reporter(folder: Path) -> Progress:
    """A `Progress` that writes ``progress.json`` and raises Cancelled when asked to."""
    begun = time.time()
    last = 0.0
    seen: list[str] = []

    def report(stage: str, done: int, total: int | None) -> None:
        nonlocal last
        now = time.time()
        if stage not in seen:
            seen.append(stage)
        elif now - last < REPORT_EVERY_S and done != total:
            return
        last = now
        if (folder / store.CANCEL).exists():
            raise Cancelled("the clip", "you stopped it", "start it again when you like")
        record = {"stage": stage, "done": done, "total": total, "stages": seen, "begun": begun, "now": now}
        part = folder / (store.PROGRESS + ".part")
        with suppress(OSError):
            part.write_text(json.dumps(record), encoding="utf-8")
            part.replace(folder / store.PROGRESS)

    return report


def read_progress(folder: Path) -> dict[str, Any]:
    """What the work last said, or an empty table."""
    try:
        found = json.loads((folder / store.PROGRESS).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}


def overall(progress: dict[str, Any]) -> float:
    """Share of the whole work that is finished, 0..1, from the stages' usual shares."""
    stage = progress.get("stage")
    if not isinstance(stage, str):
        return 0.0
    before = 0.0
    for name, share in SHARE.items():
        if name == stage:
            total = progress.get("total") or 0
            part = min(1.0, float(progress.get("done", 0)) / float(total)) if total else 0.0
            return min(1.0, before + share * part)
        before += share
    passed = [n for n in progress.get("stages", []) if n in SHARE]
    return min(1.0, sum(SHARE[n] for n in SHARE if n in passed))


def seconds_left(progress: dict[str, Any], now: float) -> float | None:
    """Expected seconds until the work is finished; None while it can't be told."""
    share = overall(progress)
    begun = progress.get("begun")
    if share < 0.04 or not isinstance(begun, float):
        return None
    said = float(progress.get("now", now))
    return max(0.0, (said - begun) / share * (1 - share) - (now - said))


def look(key: str) -> None:
    """Take the first look; the job becomes ready, or failed with its reason."""
    from ui.screens.first_look import write_first_look

    job = store.read_job(key)
    if job is None:
        return
    folder = store.job_folder(key)
    try:
        write_first_look(
            store.clip_path(job), folder / store.FIRST_LOOK, job.options.capture_rate_hz, reporter(folder)
        )
        _end(key, "ready")
    except LanesideError as error:
        _fail(job, error)


def measure(key: str) -> None:
    """Measure the clip into its result folder; the job becomes done, failed or cancelled."""
    from ui.job import measure_clip

    job = store.read_job(key)
    if job is None:
        return
    folder = store.job_folder(key)
    try:
        if job.rewrite:
            _rewrite(job, folder)
        else:
            measure_clip(store.clip_path(job), folder / store.RESULT, job.options, reporter(folder))
            (folder / FILE).unlink(missing_ok=True)
        (folder / STALE).unlink(missing_ok=True)
        for name in ("close", "whole"):
            for old in (folder / FRAMES).glob(f"{name}-*.jpg") if not job.rewrite else ():
                old.unlink(missing_ok=True)
        _end(key, "done")
    except LanesideError as error:
        _fail(job, error)
        return
    # The result is there; its frames are decoded while the user reads the cues.
    with suppress(LanesideError, OSError):
        keep_frames(job)


def keep_frames(job: store.Job) -> None:
    """Decode every frame of the run for the viewer."""
    from ui.screens.stored import decode_frames

    track = read_track(store.result_folder(job) / TRACK_NAME)
    first, last = int(track.frame[0]), int(track.frame[-1])
    decode_frames(job, track, first, last + 1)


def _rewrite(job: store.Job, folder: Path) -> None:
    """Write tables, pictures, video and report again; the track stays as it was measured."""
    from shared.track_file import write_track
    from ui.by_hand import corrected_analysis, read_corrections
    from ui.job import staged_folder, write_results

    track = read_track(folder / store.RESULT / TRACK_NAME)
    changed, analysis = corrected_analysis(track, job.options, read_corrections(folder / FILE))
    with staged_folder(folder / store.RESULT) as stage:
        write_results(store.clip_path(job), changed, analysis, stage, job.options, reporter(folder))
        write_track(track, stage / TRACK_NAME)


def _fail(job: store.Job, error: LanesideError) -> None:
    if isinstance(error, Cancelled):
        _end(job.key, "cancelled")
    else:
        # Nobody needs to know where the clip is kept; it goes by its own name.
        _end(job.key, "failed", str(error).replace(str(store.clip_path(job)), job.name))


def _end(key: str, state: store.State, error: str = "") -> None:
    """Give the job its end, unless somebody has given it another one meanwhile."""
    job = store.read_job(key)
    if job is None or job.state not in ("looking", "running"):
        return
    if job.rewrite and state in ("failed", "cancelled"):
        store.change(job, state="done", rewrite=False)  # the result itself is untouched
    else:
        store.change(job, state=state, rewrite=False, error="" if state == "cancelled" else error)


def main(arguments: list[str]) -> int:
    """Entry of the work process."""
    if len(arguments) != 2 or arguments[0] not in ("look", "measure"):
        print("usage: look|measure KEY", file=sys.stderr)
        return 2
    kind, key = arguments
    try:
        (look if kind == "look" else measure)(key)
    except Exception:  # a fault of the program: the user gets a sentence, the log gets the rest
        traceback.print_exc()
        job = store.read_job(key)
        if job is not None:
            _end(key, "failed", FAULT.format(name=job.name))
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
