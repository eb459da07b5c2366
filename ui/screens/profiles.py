"""The user's own profiles of targets, kept beside the clips, one folder per list."""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import yaml

from shared.errors import ProfileError
from shared.files import write_text
from technique.profile_schema import Profile, profile_from_text
from technique.targets import PROFILE_FOLDER, load_profile, profile_names
from ui.screens import store

NAME: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
MOST: Final = 50
"""Own profiles in one list."""


def own_folder(owner: str) -> Path:
    """Where a list's own profiles are kept."""
    if not store.is_key(owner):
        raise ValueError("not a key")
    return store.data_folder() / "profiles" / owner


def own_profiles(owner: str) -> tuple[str, ...]:
    """Paths of the list's own profiles, sorted by name."""
    folder = own_folder(owner)
    return tuple(str(p) for p in sorted(folder.glob("*.yaml"))) if folder.is_dir() else ()


def known_profile(name_or_path: str) -> Profile:
    """A built-in or own profile; read again only when its file has changed.

    Raises
    ------
    ProfileError
    """
    built_in = PROFILE_FOLDER / f"{name_or_path}.yaml"
    path = built_in if name_or_path in profile_names() else Path(name_or_path)
    try:
        changed = path.stat().st_mtime_ns
    except (OSError, ValueError):
        changed = 0  # why it can't be read is for load_profile to say
    return _read(name_or_path, changed)


@lru_cache(maxsize=64)
def _read(name_or_path: str, _changed: int) -> Profile:
    return load_profile(name_or_path)


def file_name(wish: str) -> str:
    """The user's words as a profile name: small letters, digits and dashes.

    Raises
    ------
    ProfileError
        If nothing is left of them, or a built-in profile has that name.
    """
    name = re.sub(r"[^a-z0-9]+", "-", wish.lower()).strip("-")[:40].strip("-")
    if not NAME.fullmatch(name):
        raise ProfileError("the name", "it holds no letter or digit", "write for instance: my sprint")
    if name in profile_names():
        raise ProfileError(name, "a built-in profile has that name", "choose another one")
    return name


def profile_text(name_or_path: str) -> str:
    """The YAML text of a built-in or own profile."""
    built_in = PROFILE_FOLDER / f"{name_or_path}.yaml"
    path = built_in if name_or_path in profile_names() else Path(name_or_path)
    return path.read_text(encoding="utf-8")


def save(owner: str, name: str, text: str) -> Path:
    """Check a profile and keep it, or keep nothing.

    Raises
    ------
    ProfileError
        With every fault and its line.
    OutputError
    """
    name = file_name(name)
    profile_from_text(text, name, f"{name}.yaml")
    folder = own_folder(owner)
    path = folder / f"{name}.yaml"
    if not path.exists() and len(own_profiles(owner)) >= MOST:
        raise ProfileError("your profiles", f"there are {MOST} already", "remove one first")
    folder.mkdir(parents=True, exist_ok=True)
    write_text(path, text)
    return path


def copy(owner: str, source: str, title: str) -> Path:
    """A copy under a new title, to be changed."""
    document = as_document(load_profile(source)) | {"title": title.strip(), "version": 1}
    return save(owner, title, as_text(document))


def as_document(profile: Profile) -> dict[str, Any]:
    """A profile as plain values, in the order of the format."""
    document = profile.model_dump(mode="json", exclude_none=True)
    document["cautions"] = list(profile.cautions)
    return document


def as_text(document: dict[str, Any]) -> str:
    """Plain values as YAML."""
    return yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=100)


def with_target(profile: Profile, target: dict[str, Any]) -> dict[str, Any]:
    """The profile's values with one target put in place of the one for its measure, or added."""
    document = as_document(profile)
    targets = [t for t in document["targets"] if t["measure"] != target["measure"]]
    at = next(
        (i for i, t in enumerate(document["targets"]) if t["measure"] == target["measure"]), len(targets)
    )
    targets.insert(at, {k: v for k, v in target.items() if v is not None})
    return document | {"targets": targets, "version": document["version"] + 1}


def without_target(profile: Profile, measure: str) -> dict[str, Any]:
    """The profile's values without the target of a measure."""
    document = as_document(profile)
    targets = [t for t in document["targets"] if t["measure"] != measure]
    return document | {"targets": targets, "version": document["version"] + 1}
