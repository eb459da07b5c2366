"""Which notes of a result doubt the clip's time base: the ones that are read before everything else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

FRAMES_PER_SECOND: Final = "frames per real second"
"""What a note on a doubtful time base asks for, and no other note of an analysis does."""


def time_base_doubts(notes: Sequence[str]) -> list[str]:
    """The notes that speak against the time base: then times, speeds and rates may all be wrong.

    Parameters
    ----------
    notes : sequence of str
        ``Analysis.notes``.
    """
    return [note for note in dict.fromkeys(notes) if FRAMES_PER_SECOND in note]
