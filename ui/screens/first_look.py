"""The first look: what is seen in seconds, so that the user can confirm it before the long work."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from PIL import Image

from shared.errors import LanesideError
from shared.files import write_text
from shared.progress import Progress
from ui.options import Options

NAME: Final = "first_look.json"
PICTURES: Final = 3
PICTURE_HEIGHT_PX: Final = 540
FIRST_PICTURE: Final = "first.jpg"
"""The clip's first picture, on which a distance may be marked."""
FIRST_HEIGHT_PX: Final = 1080


@dataclass(frozen=True)
class Seen:
    """A person in one picture: mid-hip and radius of the body, upright px."""

    x_px: float
    y_px: float
    radius_px: float


@dataclass(frozen=True)
class Preview:
    """One picture of the clip with the people in it."""

    file: str
    frame: int
    time_s: float
    people: tuple[Seen, ...]


@dataclass(frozen=True)
class FirstLook:
    """Everything the user confirms.

    Attributes
    ----------
    width, height, frames : int
    duration_s : float
        Real seconds.
    capture_rate_hz, container_rate_hz : float
    time_base : str
        "file", "tag" or "user".
    findings : tuple of (level, sentence)
    previews : tuple of Preview
    """

    width: int
    height: int
    frames: int
    duration_s: float
    capture_rate_hz: float
    container_rate_hz: float
    time_base: str
    findings: tuple[tuple[str, str], ...]
    previews: tuple[Preview, ...]


def write_first_look(clip: Path, folder: Path, capture_rate_hz: float | None, progress: Progress) -> None:
    """Look at a few frames and write pictures and findings into `folder`.

    Raises
    ------
    ClipError, OutputError, Cancelled
    """
    from ui.job import check_clip
    from vision.athlete import find_people
    from vision.clip import frames
    from vision.clip_probe import probe
    from vision.pose import PoseEngine
    from vision.timebase import time_base
    from vision.weights import pose_weights

    folder.mkdir(parents=True, exist_ok=True)
    found = probe(clip)
    base = time_base(found, capture_rate_hz)
    progress("opening the clip", 1, 1)
    findings = check_clip(clip, Options(capture_rate_hz=capture_rate_hz), progress)
    engine = PoseEngine(pose_weights(), effort="quick")
    for frame in frames(found, base, stop=1, max_height=FIRST_HEIGHT_PX):
        Image.fromarray(frame.rgb).save(folder / FIRST_PICTURE, "JPEG", quality=85)
    numbers = np.unique(np.linspace(0, found.frames - 1, PICTURES + 2).round().astype(int)[1:-1])
    previews: list[Preview] = []
    for count, number in enumerate(numbers, start=1):
        for frame in frames(found, base, start=int(number), stop=int(number) + 1):
            people = find_people([frame, replace(frame, time_s=frame.time_s + 1.0)], engine)
            seen = [
                Seen(float(p.centre[0][0]), float(p.centre[0][1]), float(p.sightings[0].radius))
                for p in people
            ]
            name = f"{frame.index}.jpg"
            picture = Image.fromarray(frame.rgb)
            if picture.height > PICTURE_HEIGHT_PX:
                size = (round(picture.width * PICTURE_HEIGHT_PX / picture.height), PICTURE_HEIGHT_PX)
                picture = picture.resize(size, Image.Resampling.LANCZOS)
            picture.save(folder / name, "JPEG", quality=82)
            seen.sort(key=lambda s: s.x_px)
            previews.append(Preview(name, frame.index, frame.time_s, tuple(seen)))
        progress("looking for people", count, len(numbers))
    look = FirstLook(
        width=found.width,
        height=found.height,
        frames=found.frames,
        duration_s=float(found.duration_s * base.factor),
        capture_rate_hz=float(base.capture_rate_hz),
        container_rate_hz=float(base.container_rate_hz),
        time_base=base.kind,
        findings=tuple((f.level, f.text) for f in findings),
        previews=tuple(previews),
    )
    write_text(folder / NAME, json.dumps(look, default=_plain))


def _plain(value: Any) -> Any:
    return {k: getattr(value, k) for k in value.__dataclass_fields__}


def read_first_look(folder: Path) -> FirstLook | None:
    """What was seen, or None while there is none."""
    try:
        d = json.loads((folder / NAME).read_text(encoding="utf-8"))
        previews = tuple(
            Preview(p["file"], p["frame"], p["time_s"], tuple(Seen(**s) for s in p["people"]))
            for p in d.pop("previews")
        )
        findings = tuple((str(level), str(text)) for level, text in d.pop("findings"))
        return FirstLook(**d, previews=previews, findings=findings)
    except (OSError, ValueError, KeyError, TypeError, LanesideError):
        return None
