"""Unfinished folders of a killed run: told from those still being filled, removed, or put in place.

A result is filled in a hidden folder inside its own and then takes the place of an older one. From the
moment the hidden folder holds `WHOLE`, the new result is complete in it or already in place, and until
then the old one is untouched: whatever the moment of a kill, one whole result is there or is put there
by `put_back`.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

from shared.errors import LanesideError
from shared.files import write_text

try:
    import fcntl
except ImportError:  # no such locks here: leftovers then stay until the user deletes them
    fcntl = None  # type: ignore[assignment]

PREFIX: Final = ".part-"
LOCK: Final = ".held"
"""A file in each unfinished folder, locked by the run that fills it; a killed run's lock is gone."""
WHOLE: Final = ".whole"
"""A file in a filled folder: names of the parts of the result, the last one claims that it is whole."""
ASIDE: Final = ".before"
"""Where the parts of the older result wait until the new one is in place."""
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


def put_in_place(stage: Path, out: Path, last: str) -> None:
    """Move what is in `stage` to `out`, over an older result; all of it or nothing.

    Parameters
    ----------
    stage : Path
        A folder inside `out`, held by this run.
    out : Path
    last : str
        The part that claims the result to be whole: it goes away first and comes last.

    Raises
    ------
    OSError, OutputError
        If it can't be; the older result stands again.
    """
    names = sorted((p.name for p in stage.iterdir() if p.name != LOCK), key=lambda name: name == last)
    write_text(stage / WHOLE, json.dumps(names))
    try:
        _forward(stage, out, names)
    except BaseException:
        _backward(stage, out, names)
        (stage / WHOLE).unlink()
        raise
    (stage / WHOLE).unlink()


def _forward(stage: Path, out: Path, names: Sequence[str]) -> None:
    """Each name is in `stage` or in place already; afterwards all are in place."""
    aside = stage / ASIDE
    aside.mkdir(exist_ok=True)
    for name in reversed(names):
        if os.path.lexists(stage / name) and os.path.lexists(out / name):
            os.replace(out / name, aside / name)
    for name in names:
        if os.path.lexists(stage / name):
            os.replace(stage / name, out / name)


def _backward(stage: Path, out: Path, names: Sequence[str]) -> None:
    """The new parts back into `stage`, then the old ones into place."""
    for name in reversed(names):
        if os.path.lexists(out / name) and not os.path.lexists(stage / name):
            os.replace(out / name, stage / name)
    for name in names:
        if os.path.lexists(stage / ASIDE / name):
            os.replace(stage / ASIDE / name, out / name)


def put_back(folder: Path) -> bool:
    """Finish what a killed run had made whole in `folder` but not yet put in place.

    Returns
    -------
    bool
        Whether there was such a result.
    """
    found = False
    for stage in sorted(_unfinished(folder), key=_age, reverse=True):
        with suppress(OSError, ValueError, LanesideError), _left_by_a_killed_run(stage) as left:
            if left and (names := _parts(stage)) is not None:
                _forward(stage, folder, names)
                (stage / WHOLE).unlink()
                remove_stage(stage)
                found = True
    return found


def _age(stage: Path) -> float:
    try:
        return time.time() - (stage / WHOLE).stat().st_mtime
    except OSError:
        return 0.0


def _parts(stage: Path) -> list[str] | None:
    """Names of a whole result's parts; None where it is not whole, or not ours."""
    try:
        names = json.loads((stage / WHOLE).read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    if not isinstance(names, list):
        return None
    for name in names:
        # A folder may come from elsewhere; nothing but plain names inside it may be moved.
        if not isinstance(name, str) or Path(name).name != name or name.startswith(PREFIX):
            return None
    return names


def _unfinished(folder: Path) -> list[Path]:
    """Folders of our name inside `folder`."""
    own = re.compile(re.escape(PREFIX) + r"\w{8}")
    return [p for p in folder.glob(f"{PREFIX}*") if own.fullmatch(p.name) and not p.is_symlink()]


@contextmanager
def _left_by_a_killed_run(stage: Path) -> Iterator[bool]:
    """Whether nobody fills `stage` any more; while the block runs nobody else takes it for left."""
    with (stage / LOCK).open("rb") as file:
        if fcntl is None:
            yield _age(stage) >= YOUNG_S  # moving takes milliseconds
            return
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        except OSError:  # a file system without locks
            yield _age(stage) >= YOUNG_S
            return
        yield True


def remove_stage(stage: Path) -> None:
    """Delete an unfinished folder; the file by which it is known as ours goes last."""
    for part in stage.iterdir():
        if part.is_dir() and not part.is_symlink():
            shutil.rmtree(part, ignore_errors=True)
        elif part.name != LOCK:
            part.unlink(missing_ok=True)
    shutil.rmtree(stage, ignore_errors=True)


def remove_leftovers(folder: Path) -> tuple[Path, ...]:
    """Remove what killed runs left unfinished in `folder`; a whole result is put in place before.

    Only folders with our name and our lock file in them, a minute old or older, that no run holds.

    Returns
    -------
    tuple of Path
        What was removed.
    """
    put_back(folder)
    if fcntl is None:
        return ()
    gone = []
    for stage in _unfinished(folder):
        lock = stage / LOCK
        with suppress(OSError):
            known = lock if lock.exists() else stage
            if time.time() - known.stat().st_mtime < YOUNG_S:
                continue
            if known is stage:
                stage.rmdir()  # only where it is empty: killed before it was marked as ours
                gone.append(stage)
                continue
            with lock.open("rb") as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # BlockingIOError: it is being filled
                remove_stage(stage)
            gone.append(stage)
    return tuple(gone)
