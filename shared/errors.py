"""The one exception family of the program.

Every message is one sentence that names *what* failed, *why*, and *what to do*
about it, so that the command line and the page can print it unchanged.
"""

from __future__ import annotations

import re

# Line breaks, other control characters, and marks that turn the direction of writing.
_UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]+")


def one_line(text: str) -> str:
    """Text, a file's name for instance, safe to show in one line.

    Control characters (line breaks, terminal codes, turned writing) become a space; bytes of a
    name that are no text are written out.
    """
    return _UNPRINTABLE.sub(" ", text.encode("utf-8", "backslashreplace").decode("utf-8"))


class LanesideError(Exception):
    """A failure the user can understand and act on.

    Parameters
    ----------
    what : str
        The thing that failed, usually a file name.
    why : str
        The reason, in plain words.
    mend : str
        What the user can do about it.
    """

    exit_code: int = 2

    def __init__(self, what: str, why: str, mend: str) -> None:
        self.what = what
        self.why = why
        self.mend = mend
        super().__init__(one_line(f"{what}: {why}; {mend}.".replace("..", ".")))

    def __reduce__(self) -> tuple[type[LanesideError], tuple[str, str, str]]:
        return (type(self), (self.what, self.why, self.mend))


class ClipError(LanesideError):
    """The video file can't be used."""

    exit_code = 3


class DamagedClip(ClipError):
    """The video file breaks off or is corrupt part of the way through."""


class AthleteError(LanesideError):
    """No athlete, or not the one asked for, could be followed through the clip."""

    exit_code = 4


class MotionError(LanesideError):
    """The athlete was followed, but the motion can't be measured (standing, too few strides)."""

    exit_code = 5


class ProfileError(LanesideError):
    """A profile of targets is not valid."""

    exit_code = 6


class OutputError(LanesideError):
    """The result can't be written."""

    exit_code = 7


class OptionError(LanesideError):
    """An option's value makes no sense."""

    exit_code = 8


class HistoryError(LanesideError):
    """The history file can't be opened or written."""

    exit_code = 9


class Cancelled(LanesideError):
    """The user stopped the work; nothing half-made is left behind."""

    exit_code = 130
