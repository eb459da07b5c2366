"""Where clips lie on this machine: one private file in the data folder, never in a result folder.

A result is known by its clip's content and file name alone, so that its folder can be passed on. To draw
the two clips of a comparison side by side the program must find them again; this file says where a
content was last seen. It is only a hint: what is found there must have the same content.
"""

from __future__ import annotations

import json
from collections.abc import Collection
from contextlib import suppress
from pathlib import Path
from typing import Final

from shared import history as H
from shared.errors import OutputError
from shared.files import output_error, private_folder, write_text

NAME: Final = "clip_places_private.json"
NOTE: Final = "Where your clips lie on this machine, by their content. Private: don't pass this file on."


def _file() -> Path:
    return H.history_path().with_name(NAME)


def _places() -> dict[str, str]:
    try:
        found = json.loads(_file().read_text(encoding="utf-8"))["clips"]
        return {str(k): str(v) for k, v in found.items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def _write(places: dict[str, str]) -> None:
    file = _file()
    try:
        private_folder(file.parent)
    except OSError as error:
        raise output_error(file, error) from error
    write_text(file, json.dumps({"note": NOTE, "clips": places}, indent=1) + "\n")
    with suppress(OSError):
        file.chmod(0o600)


def remember_clip(sha256: str, clip: Path) -> None:
    """Note where the clip of that content lies; OutputError if it can't be written."""
    places = _places()
    if places.get(sha256) != str(clip.absolute()):
        _write(places | {sha256: str(clip.absolute())})


def remembered_clip(sha256: str) -> Path | None:
    """Where the clip of that content was last seen; nobody has looked whether it is still there."""
    said = _places().get(sha256)
    return None if said is None else Path(said)


def forget_clips(contents: Collection[str]) -> None:
    """Take notes away: of these contents, and of clips that are no longer where they were."""
    places = _places()
    kept = {}
    for sha256, said in places.items():
        with suppress(OSError):
            if sha256 not in contents and Path(said).exists():
                kept[sha256] = said
    if kept == places:
        return
    if kept:
        with suppress(OutputError):
            _write(kept)
    else:
        with suppress(OSError):
            _file().unlink(missing_ok=True)
