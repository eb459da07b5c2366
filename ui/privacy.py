"""What must go when somebody's data are deleted, beside history and results."""

from __future__ import annotations

from contextlib import suppress


def forget_seen() -> int:
    """Delete all that is kept of what was seen in clips; the next measurement of a clip sees it anew.

    Entries don't tell whose they are, so all of them go: it is only a store of work done before.

    Returns
    -------
    int
        Entries deleted.
    """
    from ui.job import cache_folder

    folder = cache_folder()
    gone = 0
    if folder is not None and folder.is_dir():
        for entry in (*folder.glob("*.npz"), *folder.glob(".part-*")):
            with suppress(OSError):
                entry.unlink()
                gone += 1
    return gone
