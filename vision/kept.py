"""What was seen in a clip, kept so that the pose model runs once for each clip and way of looking.

Profile, scale, mass, belt speed and corrections by hand come after it and change nothing here. An
entry is found by the content of the clip and everything that decides what is seen; it holds
landmarks and camera motion, no picture, no file name.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np

from shared.errors import OutputError
from shared.files import private_folder, whole_file
from vision.camera_motion import CameraMotion
from vision.look_through import Seen
from vision.pan import Focal
from vision.raw import RawTrack
from vision.roll import RollEvidence

MOST_BYTES: Final = 300_000_000
"""The folder is kept below this; what was used longest ago goes first."""
_RAW: Final = ("frame", "time_s", "xy_px", "depth_px", "visibility", "presence", "score", "window")
_MOTION: Final = ("frame", "transforms", "confidence", "residual_px", "rotvec")


@cache
def _code() -> str:
    """Hash of this package: another program version sees anew."""
    files = sorted(Path(__file__).parent.glob("*.py"))
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()


def entry_name(sha256: str, settings: Mapping[str, object]) -> str:
    """Name of the entry for a clip's content and the settings that decide what is seen."""
    said = json.dumps([_code(), sha256, dict(settings)], sort_keys=True, default=str)
    return hashlib.sha256(said.encode()).hexdigest()[:40] + ".npz"


def write_seen(seen: Seen, path: Path) -> None:
    """Write an entry; OutputError if it can't be written."""
    motion = seen.motion
    head = {
        "model": seen.raw.model,
        "blur_px": seen.blur_px,
        "people": seen.people,
        "start": seen.start,
        "width": motion.width,
        "height": motion.height,
        "focal": asdict(motion.focal),
        "shift_share": motion.shift_share,
        "shake_px": motion.shake_px,
        "brightness": motion.brightness,
        "lines": [asdict(line) for line in motion.lines],
        "notes": motion.notes,
    }
    arrays = {f"raw_{name}": getattr(seen.raw, name) for name in _RAW}
    arrays |= {
        f"motion_{name}": getattr(motion, name) for name in _MOTION if getattr(motion, name) is not None
    }
    with whole_file(path) as temporary, temporary.open("wb") as out:
        np.savez_compressed(out, head=np.array(json.dumps(head)), repeated=seen.repeated, **arrays)


def read_seen(path: Path) -> Seen | None:
    """An entry, or None where there is none or it is damaged."""
    try:
        with np.load(path, allow_pickle=False) as store:
            head = json.loads(str(store["head"]))
            raw = RawTrack(**{name: store[f"raw_{name}"] for name in _RAW}, model=head["model"])
            motion = CameraMotion(
                **{name: store[f"motion_{name}"] for name in _MOTION if name != "rotvec"},
                rotvec=store.get("motion_rotvec"),
                width=head["width"],
                height=head["height"],
                focal=Focal(**head["focal"]),
                shift_share=head["shift_share"],
                shake_px=head["shake_px"],
                brightness=head["brightness"],
                lines=tuple(RollEvidence(**line) for line in head["lines"]),
                notes=tuple(head["notes"]),
            )
            return Seen(raw, motion, store["repeated"], head["blur_px"], head["people"], head["start"])
    except (OSError, ValueError, KeyError, TypeError, EOFError, zipfile.BadZipFile):
        return None


def recalled(folder: Path, name: str) -> Seen | None:
    """The entry of that name in the folder, marked as just used; None where there is none."""
    seen = read_seen(folder / name)
    if seen is not None:
        with suppress(OSError):
            os.utime(folder / name)
    return seen


def keep(seen: Seen, folder: Path, name: str, most_bytes: int = MOST_BYTES) -> None:
    """Put an entry into the folder and make room; a folder that can't be written keeps nothing."""
    with suppress(OSError, OutputError):
        private_folder(folder)
        write_seen(seen, folder / name)
        _make_room(folder, most_bytes)


def _make_room(folder: Path, most_bytes: int) -> None:
    entries = []
    for file in folder.glob("*.npz"):
        with suppress(OSError):
            found = file.stat()
            entries.append((found.st_mtime, found.st_size, file))
    total = sum(size for _, size, _ in entries)
    for _, size, file in sorted(entries, key=lambda entry: entry[0]):
        if total <= most_bytes:
            return
        file.unlink(missing_ok=True)
        total -= size
