"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from shared.errors import OutputError


def output_error(path: Path | str, error: OSError) -> OutputError:
    """Turn an operating-system error into one sentence about `path`."""
    reasons = {
        28: ("the disk is full", "free some space or choose another folder with --out"),
        30: ("the folder is read-only", "choose another folder with --out"),
        13: ("writing there is not allowed", "choose another folder with --out"),
        1: ("writing there is not allowed", "choose another folder with --out"),
        20: ("part of the path is a file, not a folder", "choose another folder with --out"),
        17: ("a file of that name is in the way", "choose another folder with --out"),
        36: ("the name is too long", "choose a shorter name with --out"),
    }
    why, mend = reasons.get(
        error.errno or 0, (error.strerror or str(error), "choose another folder with --out")
    )
    return OutputError(str(path), why, mend)


def file_sha256(path: Path) -> str:
    """Hash of a file's bytes, read in pieces; OSError if it can't be read."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def private_folder(folder: Path) -> None:
    """Make a folder that only its owner's account may enter; one that is there stays as it is.

    Raises
    ------
    OSError
        If it can't be made.
    """
    if not folder.is_dir():
        folder.parent.mkdir(parents=True, exist_ok=True)
        folder.mkdir(mode=0o700, exist_ok=True)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`; move it into place only when the block succeeds.

    Parameters
    ----------
    path : Path
        Where the finished file shall stand. Its folder must exist.

    Yields
    ------
    Path
        Write here.

    Raises
    ------
    OutputError
        If the file can't be written; nothing is left behind.
    """
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=".part-", suffix=path.suffix, dir=path.parent)
        os.close(handle)
        temporary = Path(name)
        # mkstemp makes files private; results should be as readable as any file the user makes.
        umask = os.umask(0)
        os.umask(umask)
        temporary.chmod(0o666 & ~umask)
        yield temporary
        with temporary.open("rb") as written:
            os.fsync(written.fileno())
        temporary.replace(path)
    except OSError as error:
        raise output_error(path, error) from error
    finally:
        if temporary is not None:
            temporary.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a whole UTF-8 text file at once; OutputError if it can't be."""
    with whole_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")
