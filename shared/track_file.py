"""A `Track` on disk: one compressed numpy file, so that pose need not run twice."""

from __future__ import annotations

import json
import tokenize
import zipfile
import zlib
from dataclasses import asdict
from pathlib import Path

import numpy as np

from shared.errors import LanesideError
from shared.files import whole_file
from shared.track import ClipInfo, Scale, SideLabelling, Track, ViewQuality

FORMAT = "laneside/track/1"
UNREADABLE = (
    OSError,
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    EOFError,
    OverflowError,
    MemoryError,  # an array that says it is larger than this machine
    RecursionError,
    NotImplementedError,  # a way of packing that zipfile doesn't know
    RuntimeError,  # a member that is locked with a password
    SyntaxError,  # an array's header, which numpy reads as a literal
    zipfile.BadZipFile,
    zlib.error,
    tokenize.TokenError,
)
"""What reading a damaged or hostile file can raise."""
_ARRAYS = ("frame", "time_s", "xy_px", "confidence", "world_px")


class TrackFileError(LanesideError):
    """A stored track can't be read."""

    exit_code = 6


def write_track(track: Track, path: Path) -> None:
    """Write `track` to `path` (``.npz``); OutputError if it can't be written.

    Of the clip only its file name is kept, not the folder it lies in, which may name people.
    """
    labelling = asdict(track.labelling)
    del labelling["legs_confidence"]
    head = {
        "format": FORMAT,
        "clip": asdict(track.clip) | {"path": Path(track.clip.path).name},
        "direction": track.direction,
        "camera": track.camera,
        "belt_speed_mps": track.belt_speed_mps,
        "scale": None if track.scale is None else asdict(track.scale),
        "labelling": labelling,
        "quality": asdict(track.quality),
        "model": track.model,
    }
    with whole_file(path) as temporary, temporary.open("wb") as out:
        np.savez_compressed(
            out,
            head=np.array(json.dumps(head)),
            legs_confidence=track.labelling.legs_confidence,
            **{name: getattr(track, name) for name in _ARRAYS},
        )


def read_track(path: Path) -> Track:
    """Read a track written by `write_track`.

    Raises
    ------
    TrackFileError
        If the file is missing, damaged or not a track.
    """
    try:
        with np.load(path, allow_pickle=False) as store:
            head = json.loads(str(store["head"]))
            if head.get("format") != FORMAT:
                raise ValueError(f"format {head.get('format')}")
            clip = head["clip"] | {"notes": tuple(head["clip"]["notes"])}
            labelling = head["labelling"] | {"notes": tuple(head["labelling"]["notes"])}
            quality = head["quality"] | {"notes": tuple(head["quality"]["notes"])}
            return Track(
                clip=ClipInfo(**clip),
                direction=head["direction"],
                camera=head["camera"],
                belt_speed_mps=head["belt_speed_mps"],
                scale=None if head["scale"] is None else Scale(**head["scale"]),
                labelling=SideLabelling(legs_confidence=store["legs_confidence"], **labelling),
                quality=ViewQuality(**quality),
                model=head["model"],
                **{name: store[name] for name in _ARRAYS},
            )
    except UNREADABLE as error:
        raise TrackFileError(
            path.name, f"the stored track can't be read ({str(error)[:200]})", "measure the clip again"
        ) from error
