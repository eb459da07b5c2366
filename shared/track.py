"""The border between `vision` and `technique`: one athlete's landmarks in time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

TimeBase = Literal["file", "tag", "user"]
Direction = Literal["left", "right"]
CameraKind = Literal["still", "panning", "treadmill"]
ScaleSource = Literal["stature", "marked distance", "belt speed"]


@dataclass(frozen=True)
class ClipInfo:
    """What the video file is and which time base is used for it.

    Attributes
    ----------
    path : str
        Path as the user gave it.
    sha256 : str
        Hash of the file's bytes.
    frames : int
        Frames actually decoded (never the container's claim).
    width, height : int
        Upright size in px, after rotation metadata.
    capture_rate_hz : float
        Frames per real second (median), the rate that times and speeds are built on.
    container_rate_hz : float
        Frames per second of play-back (median of the file's own time stamps).
    time_base : {"file", "tag", "user"}
        Where the capture rate comes from: time stamps, a tag in the file, the user.
    repeated_frames : int
        Frames whose picture is identical to the one before.
    notes : tuple of str
        Plain sentences about the time base that the user should read.
    """

    path: str
    sha256: str
    frames: int
    width: int
    height: int
    capture_rate_hz: float
    container_rate_hz: float
    time_base: TimeBase
    repeated_frames: int = 0
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Scale:
    """Metres per world unit, with its relative standard uncertainty (1 SD).

    Attributes
    ----------
    metres_per_px : float
        Metres per pixel at the athlete's distance, for the reference frame.
    relative_sd : float
        One standard deviation as a share (0.03 = 3 %).
    source : {"stature", "marked distance", "belt speed"}
    """

    metres_per_px: float
    relative_sd: float
    source: ScaleSource


@dataclass(frozen=True)
class SideLabelling:
    """How left and right were kept apart.

    Attributes
    ----------
    near_side : {"left", "right"}
        The side towards the camera.
    near_side_confidence : float
        0.5 (a guess) to 1 (certain) that near and far are the right way round.
    legs_exchanged, arms_exchanged : int
        Frames in which the raw model had the sides exchanged and which were repaired.
    legs_confidence : (T,) array
        Per frame, 0.5 to 1, that the two legs are assigned to the right sides.
    notes : tuple of str
        Plain sentences for the user.
    """

    near_side: Side
    near_side_confidence: float
    legs_exchanged: int
    arms_exchanged: int
    legs_confidence: FloatArray
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class ViewQuality:
    """What the view supports.

    Attributes
    ----------
    off_perpendicular_deg : float
        Angle between the optical axis and the normal of the plane of travel; 0 is a true
        side view. NaN where it can't be judged.
    off_perpendicular_sd_deg : float
        One standard deviation of that estimate.
    roll_deg : float
        Camera roll already taken out of `Track.world`; NaN when unknown.
    roll_sd_deg : float
        One standard deviation of what roll may be left.
    runner_height_px : float
        Median height of the athlete, head to foot, upright px.
    blur_px : float
        Typical motion blur of the athlete's foot, px; NaN when unknown.
    hidden : mapping of str to float
        Share of frames (0..1) in which a landmark was hidden or not trusted.
    notes : tuple of str
        Plain sentences for the user.
    """

    off_perpendicular_deg: float
    off_perpendicular_sd_deg: float
    roll_deg: float
    roll_sd_deg: float
    runner_height_px: float
    blur_px: float
    hidden: Mapping[str, float] = field(default_factory=dict)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Track:
    """One athlete's landmarks over a clip; everything `technique` needs, no pixels.

    Attributes
    ----------
    clip : ClipInfo
    frame : (T,) int array
        Decoded frame number of each sample, increasing.
    time_s : (T,) array
        Real seconds from the clip's first frame, strictly increasing.
    xy_px : (T, 33, 2) array
        Upright picture position, px, x right, y down; NaN where there is no point.
        Sides already repaired.
    confidence : (T, 33) array
        0..1; how far the pose model trusts the point.
    world_px : (T, 33, 2) array
        World-fixed position in px of the reference frame: x forward in the direction of
        travel, y up, camera motion and roll taken out. On a treadmill or where the background
        is unknown x is relative to the picture.
    direction : {"left", "right"}
        Direction of travel in the picture.
    camera : {"still", "panning", "treadmill"}
    belt_speed_mps : float or None
        Treadmill speed given by the user.
    scale : Scale or None
        None: angles, times and ratios only.
    labelling : SideLabelling
    quality : ViewQuality
    model : str
        Name of the pose weights.
    """

    clip: ClipInfo
    frame: IntArray
    time_s: FloatArray
    xy_px: FloatArray
    confidence: FloatArray
    world_px: FloatArray
    direction: Direction
    camera: CameraKind
    belt_speed_mps: float | None
    scale: Scale | None
    labelling: SideLabelling
    quality: ViewQuality
    model: str

    def __post_init__(self) -> None:
        t = len(self.time_s)
        expected: dict[str, tuple[tuple[int, ...], tuple[int, ...]]] = {
            "frame": (self.frame.shape, (t,)),
            "xy_px": (self.xy_px.shape, (t, lm.COUNT, 2)),
            "confidence": (self.confidence.shape, (t, lm.COUNT)),
            "world_px": (self.world_px.shape, (t, lm.COUNT, 2)),
            "legs_confidence": (self.labelling.legs_confidence.shape, (t,)),
        }
        for name, (actual, wanted) in expected.items():
            if actual != wanted:
                raise ValueError(f"`{name}` must have shape {wanted}, got {actual}")
        if t and not np.all(np.diff(self.time_s) > 0):
            raise ValueError("`time_s` must be strictly increasing")

    def point(self, joint: str, side: Side | None = None) -> FloatArray:
        """World position of one landmark, (T, 2) px, x forward, y up."""
        return self.world_px[:, lm.index(joint, side)]
