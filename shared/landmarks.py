"""Names and order of the 33 body landmarks that a `Track` carries."""

from __future__ import annotations

from typing import Final, Literal

Side = Literal["left", "right"]
SideOrBoth = Literal["left", "right", "both"]

NAMES: Final[tuple[str, ...]] = (
    "nose",
    "left_eye_inner",
    "left_eye",
    "left_eye_outer",
    "right_eye_inner",
    "right_eye",
    "right_eye_outer",
    "left_ear",
    "right_ear",
    "mouth_left",
    "mouth_right",
    "left_shoulder",
    "right_shoulder",
    "left_elbow",
    "right_elbow",
    "left_wrist",
    "right_wrist",
    "left_pinky",
    "right_pinky",
    "left_index",
    "right_index",
    "left_thumb",
    "right_thumb",
    "left_hip",
    "right_hip",
    "left_knee",
    "right_knee",
    "left_ankle",
    "right_ankle",
    "left_heel",
    "right_heel",
    "left_foot_index",
    "right_foot_index",
)
"""Landmark names in storage order; `foot_index` is the tip of the foot."""

COUNT: Final[int] = len(NAMES)
INDEX: Final[dict[str, int]] = {name: i for i, name in enumerate(NAMES)}

ARM_JOINTS: Final[tuple[str, ...]] = ("shoulder", "elbow", "wrist", "pinky", "index", "thumb")
LEG_JOINTS: Final[tuple[str, ...]] = ("hip", "knee", "ankle", "heel", "foot_index")


def index(joint: str, side: Side | None = None) -> int:
    """Storage index of a landmark.

    Parameters
    ----------
    joint : str
        A name of `NAMES`, or the name without its side when `side` is given
        (``index("knee", "left")``).
    side : {"left", "right"}, optional
        Side of the body.

    Returns
    -------
    int

    Raises
    ------
    KeyError
        If there is no such landmark.
    """
    return INDEX[joint if side is None else f"{side}_{joint}"]


def opposite(side: Side) -> Side:
    """The other side of the body."""
    return "right" if side == "left" else "left"
