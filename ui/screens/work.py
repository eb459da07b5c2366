"""One piece of work on a clip: the first look, the whole measurement, or the report once more.

These run in the page's server, beside the page; what reads the clip runs in a child process (`ui.apart`),
which is all that a clip can harm. They report into ``progress.json`` and stop when a file named ``cancel``
appears in the job's folder.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from shared.errors import Cancelled, LanesideError
from shared.progress import Progress, silent
from shared.track_file import read_track
from shared.units import Units
from ui.apart import Fault, Run
from ui.by_hand import FILE
from ui.job import TRACK_NAME, VIDEO_NAME, measure_apart, staged_folder, write_results
from ui.screens import store
from ui.screens.store import FRAMES, STALE

Heed = Callable[[], None]

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


def look(key: str, run: Run, heed: Heed | None = None) -> None:
    """Take the first look; the job becomes ready, or failed with its reason.

    `run` and `heed` are those of `ui.apart`.
    """
    from ui.screens.first_look import write_first_look

    job = store.read_job(key)
    if job is None:
        return
    folder = store.job_folder(key)
    try:
        run(
            write_first_look,
            store.clip_path(job),
            folder / store.FIRST_LOOK,
            job.options.capture_rate_hz,
            what=job.name,
            progress=reporter(folder),
            heed=heed,
        )
        _end(key, "ready")
    except LanesideError as error:
        _fail(job, error)


def measure(key: str, run: Run, heed: Heed | None = None) -> None:
    """Measure the clip into its result folder; the job becomes done, failed or cancelled.

    `run` and `heed` are those of `ui.apart`.
    """
    job = store.read_job(key)
    if job is None:
        return
    folder = store.job_folder(key)
    try:
        if job.rewrite:
            with staged_folder(folder / store.RESULT) as stage:
                run(rewrite, job, stage, what=job.name, progress=reporter(folder), heed=heed)
        else:
            measure_apart(
                store.clip_path(job),
                folder / store.RESULT,
                job.options,
                reporter(folder),
                run=run,
                heed=heed,
            )
            (folder / FILE).unlink(missing_ok=True)
        (folder / STALE).unlink(missing_ok=True)
        # Frames of an earlier measurement, and half ones of a child that was stopped.
        for old in (folder / FRAMES).glob(".*" if job.rewrite else "*.jpg*"):
            old.unlink(missing_ok=True)
        _end(key, "done", written=job.options.units)
    except LanesideError as error:
        _fail(job, error)
        return
    # The result is there; its frames are decoded while the user reads the cues.
    with suppress(LanesideError, OSError):
        run(keep_frames, job, what=job.name, heed=heed)


def keep_frames(job: store.Job, progress: Progress = silent) -> None:
    """Decode every frame of the run for the viewer."""
    from ui.screens.frames import decode_frames

    track = read_track(store.result_folder(job) / TRACK_NAME)
    first, last = int(track.frame[0]), int(track.frame[-1])
    decode_frames(job, track, first, last + 1, progress)


def rewrite(job: store.Job, stage: Path, progress: Progress = silent) -> None:
    """Write tables, pictures, video and report again; the track stays as it was measured."""
    from shared.track_file import write_track
    from ui.by_hand import corrected_analysis, read_corrections

    folder = store.job_folder(job.key)
    track = read_track(folder / store.RESULT / TRACK_NAME)
    changed, analysis = corrected_analysis(track, job.options, read_corrections(folder / FILE))
    # Angles and times are the same in all units: without a correction the video is as good as before.
    video = folder / store.RESULT / VIDEO_NAME
    kept = video if video.is_file() and not (folder / STALE).exists() else None
    write_results(store.clip_path(job), changed, analysis, stage, job.options, progress, kept)
    write_track(track, stage / TRACK_NAME)


def _fail(job: store.Job, error: LanesideError) -> None:
    if isinstance(error, Cancelled):
        _end(job.key, "cancelled")
    elif isinstance(error, Fault):
        # A fault of the program: the user gets a sentence, the log gets the rest.
        with suppress(OSError), (store.job_folder(job.key) / store.LOG).open("a", encoding="utf-8") as log:
            log.write(error.trace)
        _end(job.key, "failed", FAULT.format(name=job.name))
    else:
        # Nobody needs to know where the clip is kept; it goes by its own name.
        _end(job.key, "failed", str(error).replace(str(store.clip_path(job)), job.name))


def _end(key: str, state: store.State, error: str = "", written: Units | None = None) -> None:
    """Give the job its end, unless somebody has given it another one meanwhile."""
    job = store.read_job(key)
    if job is None or job.state not in ("looking", "running"):
        return
    if job.rewrite and state in ("failed", "cancelled"):
        store.change(job, state="done", rewrite=False)  # the result itself is untouched
    else:
        store.change(
            job,
            state=state,
            rewrite=False,
            error="" if state == "cancelled" else error,
            written=written or job.written,
        )
