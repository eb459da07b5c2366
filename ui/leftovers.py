"""Unfinished folders of a killed run: told from those still being filled, and removed."""

from __future__ import annotations

import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

try:
    import fcntl
except ImportError:  # no such locks here: leftovers then stay until the user deletes them
    fcntl = None  # type: ignore[assignment]

PREFIX: Final = ".part-"
LOCK: Final = ".held"
"""A file in each unfinished folder, locked by the run that fills it; a killed run's lock is gone."""
YOUNG_S: Final = 60.0
"""A younger folder is left alone: its run may be about to lock it."""


@contextmanager
def held(stage: Path) -> Iterator[None]:
    """Mark `stage` as being filled by this run while the block runs."""
    with (stage / LOCK).open("wb") as file:
        if fcntl is not None:
            with suppress(OSError):  # a file system without locks
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        yield


def remove_leftovers(folder: Path) -> tuple[Path, ...]:
    """Remove what killed runs left unfinished in `folder`.

    Only folders with our name and our lock file in them, a minute old or older, that no run holds.

    Returns
    -------
    tuple of Path
        What was removed.
    """
    if fcntl is None:
        return ()
    gone = []
    for stage in folder.glob(f"{PREFIX}*"):
        lock = stage / LOCK
        if not re.fullmatch(re.escape(PREFIX) + r"\w{8}", stage.name) or stage.is_symlink():
            continue
        with suppress(OSError):
            if time.time() - lock.stat().st_mtime < YOUNG_S:
                continue
            with lock.open("rb") as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # BlockingIOError: it is being filled
                shutil.rmtree(stage)
            gone.append(stage)
    return tuple(gone)
