"""What the view supports, in numbers and in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from shared import landmarks as lm
from shared.landmarks import Side
from shared.track import ClipInfo, ViewQuality
from vision.lane import reference_points
from vision.pan import picture_centre
from vision.raw import RawTrack
from vision.roll import robust_slope
from vision.scale import body_size, mid_point
from vision.world import WorldView, stride_count
from vision.yaw import PAIRS, YawEvidence, combined_yaw, yaw_from_growth, yaw_from_width

FloatArray = NDArray[np.float64]

Level = Literal["good", "limited", "bad"]

VISIBLE = 0.5
"""Below this probability a landmark counts as hidden."""
HIDDEN_SHARE = 0.3
"""A joint hidden in more than this share of the frames is named to the user."""
RATE_GOOD_HZ, RATE_LIMITED_HZ = 115.0, 55.0
"""120 and 60 frames a second, less a margin for odd rates: from 120 contact time is usable, at 60
step frequency and joint angles, below that posture (filming advice, common practice)."""
HEIGHT_GOOD_PX, HEIGHT_LIMITED_PX = 300.0, 150.0
"""Head to foot: the pose model's window is 256 px high, so more than 300 px adds little and below
150 px it works on an enlarged blur."""
YAW_GOOD_DEG, YAW_LIMITED_DEG = 10.0, 20.0
"""tan(seen) = tan(true) cos(yaw): at 10 degrees an angle of 45 is seen 0.4 degrees short, at 20
degrees 1.8, at 30 degrees 4.1 (closed form)."""
DARK, BRIGHT = 45.0, 225.0
"""Mean brightness (0..255) of a picture that is too dark or too bright."""
STRIDES_GOOD = 4.0

PLAIN: dict[str, str] = {
    "shoulder": "shoulder",
    "elbow": "elbow",
    "wrist": "wrist",
    "hip": "hip",
    "knee": "knee",
    "ankle": "ankle",
    "heel": "heel",
    "foot_index": "toe",
}


@dataclass(frozen=True)
class Finding:
    """One thing about the clip: how good it is and what that means, as one plain sentence."""

    about: str
    level: Level
    sentence: str


def rate_finding(capture_rate_hz: float) -> Finding:
    """What the frame rate allows."""
    rate = f"The clip has {capture_rate_hz:.0f} pictures a second"
    if capture_rate_hz >= RATE_GOOD_HZ:
        return Finding("frame rate", "good", f"{rate}, enough for contact and flight times.")
    if capture_rate_hz >= RATE_LIMITED_HZ:
        return Finding(
            "frame rate",
            "limited",
            f"{rate}: angles and step frequency are fine, contact and flight times only as means over "
            "many steps; film at 120 or 240 to time the foot.",
        )
    return Finding(
        "frame rate",
        "bad",
        f"{rate}: posture and step frequency only; contact time, flight time and fast movements are "
        "too coarse; film at 120 or 240.",
    )


def size_finding(height_px: float) -> Finding | None:
    """What the runner's size in the picture allows."""
    if not np.isfinite(height_px):
        return None
    text = f"The runner is {height_px:.0f} px tall in the picture"
    if height_px >= HEIGHT_GOOD_PX:
        return Finding("size", "good", f"{text}, large enough.")
    if height_px >= HEIGHT_LIMITED_PX:
        return Finding(
            "size", "limited", f"{text}: angles of the foot and the arm are coarse; come closer or zoom in."
        )
    return Finding(
        "size",
        "bad",
        f"{text}, too small: only trunk, thigh and step frequency can be trusted; come closer or zoom in.",
    )


def yaw_finding(yaw_deg: float, sd_deg: float, taken_out: bool = False) -> Finding | None:
    """What the direction of view allows; `taken_out` where perspective is corrected for."""
    if not np.isfinite(yaw_deg):
        return Finding(
            "view", "limited", "How far the view is off a true side view can't be told from this clip."
        )
    size = abs(yaw_deg)
    way = "in front" if yaw_deg > 0 else "behind"
    if size + sd_deg < YAW_GOOD_DEG or size < 1.5 * sd_deg:
        return Finding("view", "good", f"The view is from the side, within about {size + 2 * sd_deg:.0f}°.")
    text = f"The view is about {size:.0f}° (± {2 * sd_deg:.0f}°) off a true side view, from somewhat {way}"
    if taken_out:
        return Finding(
            "view",
            "limited" if size < YAW_LIMITED_DEG else "bad",
            f"{text}: perspective is taken out as far as the runner's change of size shows it; angles and "
            "distances keep more error than from a true side view.",
        )
    if size < YAW_LIMITED_DEG:
        return Finding(
            "view",
            "limited",
            f"{text}: angles are a degree or two off, and step length and touchdown distance look about "
            f"{100 * (1 - np.cos(np.radians(size))):.0f} % short.",
        )
    return Finding(
        "view",
        "bad",
        f"{text}: angles are several degrees off and distances look about "
        f"{100 * (1 - np.cos(np.radians(size))):.0f} % short; film square to the path.",
    )


def brightness_finding(brightness: float) -> Finding | None:
    """What the light allows; `brightness` is the mean grey, 0..255, NaN when unknown."""
    if not np.isfinite(brightness):
        return None
    if brightness < DARK:
        return Finding(
            "light", "bad", "The picture is very dark: joints are found less exactly and fast limbs blur."
        )
    if brightness > BRIGHT:
        return Finding(
            "light", "limited", "The picture is very bright: pale clothing and skin lose their edges."
        )
    return Finding("light", "good", "There is enough light.")


def blur_finding(blur_px: float, height_px: float) -> Finding | None:
    """What motion blur of the foot allows."""
    if not (np.isfinite(blur_px) and np.isfinite(height_px)):
        return None
    share = blur_px / height_px
    if share < 0.015:
        return Finding("blur", "good", "The fast foot is sharp.")
    level: Level = "limited" if share < 0.04 else "bad"
    return Finding(
        "blur",
        level,
        f"The fast foot is smeared over about {blur_px:.0f} px: foot and lower-leg angles in the swing and "
        "the moment of touchdown are less exact; film in more light or with a shorter exposure.",
    )


def strides_finding(strides: float) -> Finding:
    """What the number of strides allows."""
    if strides >= STRIDES_GOOD:
        return Finding("strides", "good", f"About {strides:.0f} strides are in the clip.")
    if strides >= 1.5:
        return Finding(
            "strides",
            "limited",
            f"Only about {strides:.1f} strides are in the clip: means are uncertain; add more passes.",
        )
    return Finding(
        "strides",
        "bad",
        "Less than two strides are in the clip: what varies from step to step can't be told.",
    )


def hidden_shares(raw: RawTrack) -> dict[str, float]:
    """Share of frames (0..1) in which each landmark was missing or probably hidden."""
    lost = ~np.isfinite(raw.xy_px).all(axis=2) | ~(raw.visibility >= VISIBLE)
    share = lost.mean(axis=0) if len(lost) else np.ones(lm.COUNT)
    return {name: float(share[i]) for i, name in enumerate(lm.NAMES)}


def hidden_findings(hidden: dict[str, float], near_side: Side) -> list[Finding]:
    """One sentence for hidden joints of the near side and one for those of the far side."""
    out = []
    for side in (near_side, lm.opposite(near_side)):
        names = [PLAIN[j] for j in PLAIN if hidden.get(f"{side}_{j}", 0.0) > HIDDEN_SHARE]
        if names:
            near = side == near_side
            out.append(
                Finding(
                    "hidden",
                    "bad" if near else "limited",
                    f"The {'near' if near else 'far'} ({side}) {_listed(names)} "
                    f"{'is' if len(names) == 1 else 'are'} often hidden: measures that need "
                    f"{'it' if len(names) == 1 else 'them'} may be left out"
                    f"{'' if near else '; film the other side too'}.",
                )
            )
    return out


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def outside_share(xy: FloatArray, width: int, height: int) -> float:
    """Share of frames in which a main joint lies outside the picture or within 1 % of its edge."""
    joints = [lm.index(j, s) for j in PLAIN for s in ("left", "right")] + [0]
    p = xy[:, joints]
    m = 0.01 * max(width, height)
    out = (p[..., 0] < m) | (p[..., 0] > width - 1 - m) | (p[..., 1] < m) | (p[..., 1] > height - 1 - m)
    known = np.isfinite(p).all(axis=2).any(axis=1)
    return float(np.mean((out & np.isfinite(p).all(axis=2)).any(axis=1)[known])) if known.any() else 0.0


def outside_finding(share: float) -> Finding | None:
    """What it means that the runner was cut off by the edge of the picture."""
    if share < 0.05:
        return None
    return Finding(
        "edge",
        "limited" if share < 0.5 else "bad",
        f"In {100 * share:.0f} % of the pictures part of the runner is at or beyond the edge: those steps "
        "are less exact.",
    )


def yaw_evidence(raw: RawTrack, view: WorldView, near_side: Side) -> list[YawEvidence]:
    """Every estimate of yaw that the clip allows."""
    if view.lane is not None:
        return [YawEvidence("size along the pan", 0.0, float(np.degrees(view.lane.square_on_sd_rad)))]
    sign = 1.0 if view.direction == "right" else -1.0
    centre = picture_centre(view.motion.width, view.motion.height)
    reference = reference_points(raw.xy_px, raw.frame, view.motion)
    forward = (reference - centre) * np.array([sign, 1.0])
    out: list[YawEvidence | None] = []
    if view.camera == "still":
        out.append(yaw_from_growth(forward, view.motion.focal))
    for joint in PAIRS:
        out.append(yaw_from_width(forward, near_side, joint, view.motion.focal))
    return [e for e in out if e is not None]


def growth_share(raw: RawTrack, view: WorldView) -> float:
    """Relative change of the runner's size from the middle of the path to its ends."""
    reference = reference_points(raw.xy_px, raw.frame, view.motion, view.lane)
    size, x = body_size(reference).chain_px, mid_point(reference, "hip")[:, 0]
    ok = np.isfinite(size) & np.isfinite(x)
    if ok.sum() < 12 or view.camera == "treadmill":
        return 0.0
    reach = float(np.percentile(x[ok], 98) - np.percentile(x[ok], 2))
    if reach < float(np.median(size[ok])):
        return 0.0
    slope, _ = robust_slope(x[ok], size[ok], 4.0)
    return abs(slope) * reach / 2 / float(np.median(size[ok]))


def view_quality(
    raw: RawTrack,
    view: WorldView,
    clip: ClipInfo,
    near_side: Side | None = None,
    blur_px: float = float("nan"),
) -> ViewQuality:
    """What the view supports.

    Parameters
    ----------
    raw : RawTrack
        As the pose model gave it.
    view : WorldView
    clip : ClipInfo
    near_side : {"left", "right"}, optional
        Follows from the direction of travel when not given (running right, the right side is near).
    blur_px : float
        Motion blur of the fast foot, NaN when unknown (see `vision.blur`).
    """
    side: Side = near_side or ("right" if view.direction == "right" else "left")
    yaw, yaw_sd = combined_yaw(yaw_evidence(raw, view, side))
    size = body_size(raw.xy_px)
    hidden = hidden_shares(raw)
    findings = [
        rate_finding(clip.capture_rate_hz),
        yaw_finding(yaw, yaw_sd, view.squared_deg != 0),
        size_finding(size.stature_px),
        strides_finding(stride_count(raw.xy_px)),
        brightness_finding(view.motion.brightness),
        blur_finding(blur_px, size.stature_px),
        outside_finding(outside_share(raw.xy_px, clip.width, clip.height)),
        *hidden_findings(hidden, side),
    ]
    notes = [f.sentence for f in findings if f is not None and f.level != "good"]
    growth = growth_share(raw, view)
    if view.camera == "still" and growth > 0.06 and not view.squared_deg:
        notes.append(
            f"The runner's size changes by {200 * growth:.0f} % along the path: lengths are means over the "
            "path, single steps may be off by half of that."
        )
    return ViewQuality(
        yaw,
        yaw_sd,
        view.picture_roll_deg,
        view.roll.sd_deg,
        size.stature_px,
        blur_px,
        hidden,
        tuple(dict.fromkeys([*view.notes, *notes])),
    )


def suitability(
    xy: FloatArray,
    visibility: FloatArray,
    capture_rate_hz: float,
    width: int,
    height: int,
    brightness: float = float("nan"),
    people: int | None = None,
) -> list[Finding]:
    """A first word on a clip from a handful of its frames.

    Parameters
    ----------
    xy : (N, 33, 2) array
        Landmarks of the athlete on a few frames, upright px; NaN rows where nobody was found.
    visibility : (N, 33) array
        0..1.
    capture_rate_hz : float
    width, height : int
        Upright picture size, px.
    brightness : float
        Mean grey (0..255) of those frames, NaN when unknown.
    people : int, optional
        Most people seen in one frame.

    Returns
    -------
    list of Finding
        Worst first.
    """
    found = np.isfinite(xy[:, [lm.index("hip", "left"), lm.index("hip", "right")]]).all(axis=(1, 2))
    out: list[Finding | None] = [rate_finding(capture_rate_hz), brightness_finding(brightness)]
    if not found.any():
        out.append(
            Finding(
                "runner",
                "bad",
                "No runner was found in the pictures looked at; film one person from the side.",
            )
        )
    else:
        if found.mean() < 0.5:
            out.append(
                Finding(
                    "runner",
                    "limited",
                    f"A runner was found in only {found.sum()} of {len(xy)} pictures looked at.",
                )
            )
        size = body_size(xy[found])
        out.append(size_finding(size.stature_px))
        out.append(outside_finding(outside_share(xy[found], width, height)))
        out.append(_front_view_finding(xy[found]))
        seen = np.nanmean(np.where(np.isfinite(visibility[found]), visibility[found], 0.0))
        if seen < 0.4:
            out.append(Finding("hidden", "limited", "Much of the runner is hidden or hard to see."))
    if people is not None and people > 1:
        out.append(
            Finding("people", "limited", f"{people} people are in the picture: say which one to follow.")
        )
    order = {"bad": 0, "limited": 1, "good": 2}
    return sorted((f for f in out if f is not None), key=lambda f: order[f.level])


def _front_view_finding(xy: FloatArray) -> Finding | None:
    """Warns of a view from the front or back by the width of the shoulders against the trunk."""
    shoulders = np.abs(xy[:, lm.index("shoulder", "left"), 0] - xy[:, lm.index("shoulder", "right"), 0])
    hips = np.abs(xy[:, lm.index("hip", "left"), 0] - xy[:, lm.index("hip", "right"), 0])
    trunk = np.linalg.norm(mid_point(xy, "shoulder") - mid_point(xy, "hip"), axis=1)
    ok = np.isfinite(trunk) & (trunk > 0)
    if not ok.any():
        return None
    share = float(np.median((shoulders + hips)[ok] / trunk[ok]))
    if share < 0.7:
        return None
    return Finding(
        "view",
        "bad" if share > 0.9 else "limited",
        "The runner seems to be filmed from the front or back, or running towards or away from the camera: "
        "a side view is needed.",
    )
