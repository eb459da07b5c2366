"""How long work reports itself and can be stopped."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called by long work; may raise `shared.errors.Cancelled` to stop it."""

    def __call__(self, stage: str, done: int, total: int | None) -> None:
        """Report that `done` of `total` (None: unknown) units of `stage` are finished."""


def silent(stage: str, done: int, total: int | None) -> None:
    """A `Progress` that says nothing."""
