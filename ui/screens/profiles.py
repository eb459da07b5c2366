"""The user's own profiles of targets, kept beside the clips, one folder per list."""

from __future__ import annotations

from pathlib import Path

from ui.screens import store


def own_folder(owner: str) -> Path:
    """Where a list's own profiles are kept."""
    if not store.is_key(owner):
        raise ValueError("not a key")
    return store.data_folder() / "profiles" / owner


def own_profiles(owner: str) -> tuple[str, ...]:
    """Paths of the list's own profiles, sorted by name."""
    folder = own_folder(owner)
    return tuple(str(p) for p in sorted(folder.glob("*.yaml"))) if folder.is_dir() else ()
