"""What workers run in the tests of a batch on many machines in place of the measurement.

A "clip" is a text file; its first word says what happens. Each attempt leaves a file when it begins and
another when it is done, so that a test can count.
"""

from __future__ import annotations

import os
import signal
import time
import uuid
from pathlib import Path

from shared.files import write_text
from shared.progress import Progress, silent
from ui.batch_job import MARK_NAME, Job, is_done
from ui.batch_table import Row
from ui.job import ANALYSIS_NAME
from ui.options import Options

LOG = "log"
GO = "go"


def pretend(job: Job, options: Options, threads: int, progress: Progress = silent) -> Row:
    """Do what the clip says; the process that runs this is a child of the worker."""
    import json

    if is_done(job):
        return Row(job.clip, "measured", job.folder)
    log = job.folder.parent / LOG
    log.mkdir(exist_ok=True)
    write_text(log / f"begun {job.clip.stem} {uuid.uuid4().hex}", str(os.getppid()))
    word = job.clip.read_text().split()[0]
    if word == "kills":
        os.kill(os.getppid(), signal.SIGKILL)
        time.sleep(60)  # it ends with its parent, at once
    if word == "breaks":
        os.kill(os.getpid(), signal.SIGKILL)
    if word == "waits":
        while not (log / GO).exists():
            time.sleep(0.02)
    job.folder.mkdir(exist_ok=True)
    write_text(job.folder / ANALYSIS_NAME, "{}")
    write_text(job.folder / MARK_NAME, json.dumps(job.mark))
    write_text(log / f"done {job.clip.stem} {uuid.uuid4().hex}", str(threads))
    return Row(job.clip, "measured", job.folder)


def attempts(out: Path, what: str, stem: str) -> list[str]:
    """What the attempts at a clip wrote when they began or were done."""
    return [p.read_text() for p in (out / LOG).glob(f"{what} {stem} *")]
