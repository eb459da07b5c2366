"""Everything that makes one clip."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from sample_clips.camera import Camera
from sample_clips.runner import Runner

Place = Literal["track", "treadmill room"]


@dataclass(frozen=True)
class Picture:
    """How the picture is taken.

    Attributes
    ----------
    shutter_s : float
        Exposure time; blur is drawn as the mean of `blur_samples` moments in it.
    blur_samples : int
        1: no motion blur. The frame's time is the middle of the exposure.
    noise : float
        Standard deviation of the sensor noise, grey levels.
    brightness, contrast : float
        Gain, and spread about mid grey.
    sun_deg, sun_height_deg : float
        Direction the light comes from (0 = from +X, 90 = from the camera) and its height.
    seed : int
    """

    shutter_s: float = 1 / 1000
    blur_samples: int = 1
    noise: float = 1.5
    brightness: float = 1.0
    contrast: float = 1.0
    sun_deg: float = 60.0
    sun_height_deg: float = 50.0
    seed: int = 0


@dataclass(frozen=True)
class ClipSpec:
    """One clip.

    Attributes
    ----------
    runners : tuple of Runner
        The first one is the athlete whose truth is kept first and whom a panning camera follows.
    camera : Camera
    place : {"track", "treadmill room"}
    picture : Picture
    capture_rate_hz : float
        Frames per real second.
    container_rate_hz : float or None
        Frames per second of play-back; None: the capture rate. Lower: slow motion.
    capture_tag : bool
        Write the true rate into the container as ``com.android.capture.fps``.
    duration_s : float
        Real seconds.
    turned_deg : {0, 90, 180, 270}
        Stored pictures are turned, and the file's rotation metadata sets them upright.
    start_s : float
        Time stamp of the first frame in the file.
    crf : int
        x264 quality.
    name : str
    note : str
        What the clip is for.
    """

    runners: tuple[Runner, ...]
    camera: Camera = field(default_factory=Camera)
    place: Place = "track"
    picture: Picture = field(default_factory=Picture)
    capture_rate_hz: float = 120.0
    container_rate_hz: float | None = None
    capture_tag: bool = False
    duration_s: float = 3.0
    turned_deg: int = 0
    start_s: float = 0.0
    crf: int = 18
    name: str = "clip"
    note: str = ""

    @property
    def frames(self) -> int:
        """Number of frames."""
        return round(self.duration_s * self.capture_rate_hz)
