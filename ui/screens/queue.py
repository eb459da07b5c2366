"""The queue: a thread per kind of work does one job after the other, the clip's part of it in a child.

The record on disk is the truth, so a restart of the page loses nothing: what was waiting waits
on, what was cut off starts again.
"""

from __future__ import annotations

import os
import threading
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from typing import Final

from shared.errors import Cancelled, LanesideError
from ui.apart import kept_child
from ui.screens import store
from ui.screens.work import look, measure

POLL_S: Final = 0.3
STALE_S: Final = 15.0
BEAT_S: Final = 3.0
WANTED: Final[dict[str, store.State]] = {"look": "looking", "measure": "waiting"}
"""State of a job that wants this kind of work."""
BROKE_OFF: Final = (
    "{name}: the work broke off without a word, perhaps for want of memory; "
    "close other programs or trim the clip, then try again."
)


class _Closing(Exception):
    """The server closes."""


class Queue:
    """Runs first looks and measurements in the background of the page's server.

    Parameters
    ----------
    measurers : int
        Measurements at the same time.
    """

    def __init__(self, measurers: int = 1) -> None:
        self._stop = threading.Event()
        self._wake = threading.Event()
        self._threads = [threading.Thread(target=self._serve, args=("look",), daemon=True)] + [
            threading.Thread(target=self._serve, args=("measure",), daemon=True) for _ in range(measurers)
        ]
        for thread in self._threads:
            thread.start()

    def wake(self) -> None:
        """Look for work now."""
        self._wake.set()

    def close(self) -> None:
        """Stop serving; the job in hand is put back into the queue."""
        self._stop.set()
        self._wake.set()
        for thread in self._threads:
            thread.join(timeout=5.0)

    def _serve(self, kind: str) -> None:
        while not self._stop.is_set():
            served = False
            with suppress(LanesideError, OSError):
                served = self._serve_next(kind)
            if not served:
                self._wake.wait(timeout=POLL_S)
                self._wake.clear()

    def _serve_next(self, kind: str) -> bool:
        for job in next_jobs(kind):
            if claim(job, kind):
                self._run(job, kind)
                return True
        return False

    def _run(self, job: store.Job, kind: str) -> None:
        now = time.time()
        begun = {"state": "running", "measured": now} if kind == "measure" else {"looked": now}
        folder = store.job_folder(job.key)
        if store.change_if(job.key, (WANTED[kind],), **begun) is None:  # stopped since it was claimed
            (folder / store.CLAIM).unlink(missing_ok=True)
            return
        (folder / store.LOG).unlink(missing_ok=True)
        try:
            with suppress(_Closing), kept_child(log=folder / store.LOG) as run:
                (look if kind == "look" else measure)(job.key, run, self._heed(job))
        except Exception as error:  # a fault of ours on this side: told, and no end of the queue
            with suppress(OSError):
                (folder / store.LOG).write_text("".join(traceback.format_exception(error)), encoding="utf-8")
        finally:
            self._settle(job, kind)

    def _heed(self, job: store.Job) -> Callable[[], None]:
        """Says that the job is still worked on, and stops the work when nobody wants it any more."""
        folder = store.job_folder(job.key)
        beat = asked = 0.0

        def heed() -> None:
            nonlocal beat, asked
            now = time.monotonic()
            if self._stop.is_set():
                raise _Closing
            if now - beat > BEAT_S:
                beat = now
                with suppress(OSError):
                    os.utime(folder / store.CLAIM)
            if now - asked > POLL_S:
                asked = now
                current = store.read_job(job.key)
                if current is None or current.state == "cancelled" or (folder / store.CANCEL).exists():
                    raise Cancelled("the clip", "you stopped it", "start it again when you like")

        return heed

    def _settle(self, job: store.Job, kind: str) -> None:
        """Give the job its end where the process did not, and let go of it."""
        folder = store.job_folder(job.key)
        stopped = (folder / store.CANCEL).exists()
        for name in (store.CANCEL, store.CLAIM):
            (folder / name).unlink(missing_ok=True)
        current = store.read_job(job.key)
        if current is None or current.state not in ("looking", "running"):
            return
        if current.rewrite and not self._stop.is_set():
            store.change(current, state="done", rewrite=False)
        elif stopped:
            store.change(current, state="cancelled")
        elif self._stop.is_set():
            store.change(current, state="looking" if kind == "look" else "waiting")
        else:
            store.change(current, state="failed", error=BROKE_OFF.format(name=job.name))


def next_jobs(kind: str) -> list[store.Job]:
    """Jobs that want this kind of work, in order; what a dead server left is put back first."""
    jobs = store.all_jobs()
    if kind == "look":
        return store.look_order(jobs)
    for i, job in enumerate(jobs):
        if job.state == "running" and abandoned(job):
            (store.job_folder(job.key) / store.CLAIM).unlink(missing_ok=True)
            jobs[i] = store.change_if(job.key, ("running",), state="waiting") or job
    return store.queue_order(jobs)


def abandoned(job: store.Job) -> bool:
    """Whether nobody works on a claimed job any more."""
    try:
        age = time.time() - (store.job_folder(job.key) / store.CLAIM).stat().st_mtime
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return age > STALE_S


def claim(job: store.Job, kind: str) -> bool:
    """Take a job for this server; False when another one has it."""
    path = store.job_folder(job.key) / store.CLAIM
    if path.exists() and abandoned(job):
        path.unlink(missing_ok=True)
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
    except OSError:
        return False
    current = store.read_job(job.key)
    if current is None or current.state != WANTED[kind]:
        path.unlink(missing_ok=True)
        return False
    return True
