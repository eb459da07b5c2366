"""The committed clips, all invented."""

from __future__ import annotations

import math
from typing import Final

from sample_clips.body import body_of
from sample_clips.camera import Camera
from sample_clips.runner import Look, Runner, runner_at
from sample_clips.spec import ClipSpec, Picture

GREEN: Final = Look(
    skin=(150, 104, 78), hair=(24, 18, 16), shirt=(62, 122, 74), shorts=(38, 40, 60), shoe=(236, 200, 60)
)
RED: Final = Look(
    skin=(112, 78, 58), hair=(18, 14, 12), shirt=(186, 62, 52), shorts=(44, 54, 96), shoe=(90, 190, 70)
)
GREY: Final = Look(
    skin=(214, 168, 140), hair=(130, 98, 60), shirt=(150, 152, 158), shorts=(70, 40, 44), shoe=(40, 110, 190)
)
PLUM: Final = Look(
    skin=(188, 136, 104), hair=(30, 22, 20), shirt=(118, 58, 104), shorts=(26, 28, 32), shoe=(230, 230, 235)
)
_CRISP: Final = Picture(shutter_s=1 / 1000, blur_samples=1, noise=1.2)


def _wide(travel_m: float, distance_m: float) -> Camera:
    """A still 1920 x 1080 camera that sees about `travel_m` + 1.4 m of the lane."""
    half = (travel_m + 1.4) / 2
    return Camera(
        width=1920,
        height=1080,
        distance_m=distance_m,
        view_deg=2 * math.degrees(math.atan(half / distance_m)),
        height_m=1.2,
        look_y_m=1.0,
    )


def _poor() -> Runner:
    """Over-striding, low knee lift, stiff arms, much lean."""
    return runner_at(
        4.6,
        step_frequency_hz=2.64,
        contact_time_s=0.212,
        td_distance_m=0.38,
        foot_td_deg=17.0,
        knee_td_deg=8.0,
        knee_to_deg=12.0,
        thigh_max_deg=37.0,
        knee_swing_max_deg=86.0,
        trunk_lean_deg=22.0,
        arm_front_deg=2.0,
        arm_back_deg=-26.0,
        elbow_mean_deg=142.0,
        elbow_range_deg=10.0,
        look=PLUM,
        body=body_of(1.74),
        start_x_m=-6.0,
        phase=0.55,
    )


def _better() -> Runner:
    """The same athlete after practice."""
    return runner_at(
        4.6,
        step_frequency_hz=2.92,
        contact_time_s=0.184,
        td_distance_m=0.23,
        foot_td_deg=5.0,
        knee_td_deg=17.0,
        knee_to_deg=10.0,
        thigh_max_deg=51.0,
        knee_swing_max_deg=110.0,
        trunk_lean_deg=7.0,
        arm_front_deg=26.0,
        arm_back_deg=-52.0,
        elbow_mean_deg=88.0,
        elbow_range_deg=34.0,
        look=PLUM,
        body=body_of(1.74),
        start_x_m=-6.0,
        phase=0.2,
    )


def clips() -> dict[str, ClipSpec]:
    """All committed clips by name."""
    spectator = runner_at(
        1.5, standing=True, start_x_m=2.2, lane_z_m=-3.0, look=GREY, direction="left", body=body_of(1.68)
    )
    made = (
        ClipSpec(
            (runner_at(4.5, start_x_m=-6.6, phase=0.13),),
            camera=_wide(13.2, 14.0),
            capture_rate_hz=120,
            duration_s=2.9,
            picture=_CRISP,
            name="track_side_120",
            note="Still camera, side view, 4.5 m/s to the right.",
        ),
        ClipSpec(
            (runner_at(8.8, start_x_m=-7.4, phase=0.62, look=RED, body=body_of(1.82)),),
            camera=_wide(14.6, 15.0),
            capture_rate_hz=240,
            duration_s=1.7,
            picture=_CRISP,
            name="track_side_240",
            note="Still camera, sprint at 8.8 m/s, 240 frames per second.",
        ),
        ClipSpec(
            (runner_at(6.0, start_x_m=-9.0, phase=0.3, look=GREEN, direction="left"),),
            camera=Camera(
                distance_m=16.0, view_deg=25.0, height_m=1.3, pan="follow", pan_error_deg=0.7,
                shake_deg=0.08, seed=5,
            ),
            capture_rate_hz=120,
            duration_s=3.0,
            picture=_CRISP,
            crf=23,
            name="panning_120",
            note="Camera turned by hand after a runner going left at 6 m/s.",
        ),
        ClipSpec(
            (runner_at(3.3, treadmill=True, phase=0.2, look=GREY, body=body_of(1.70)),),
            camera=Camera(distance_m=3.6, view_deg=56.0, height_m=1.0),
            place="treadmill room",
            capture_rate_hz=120,
            duration_s=3.2,
            picture=Picture(shutter_s=1 / 500, noise=2.0),
            name="treadmill_120",
            note="Treadmill at 3.3 m/s.",
        ),
        ClipSpec(
            (runner_at(7.2, start_x_m=-5.6, phase=0.45, look=GREEN),),
            camera=Camera(distance_m=10.5, view_deg=62.0, height_m=1.2),
            capture_rate_hz=240,
            container_rate_hz=30,
            capture_tag=True,
            duration_s=1.56,
            picture=_CRISP,
            name="slow_motion_240_in_30",
            note="Taken at 240, played at 30 frames per second; the true rate stands in the file's tag.",
        ),
        ClipSpec(
            (runner_at(4.0, start_x_m=-8.2, phase=0.8, look=RED, direction="left"),),
            camera=Camera(
                width=720, height=1280, distance_m=14.0, view_deg=13.5, height_m=1.2, pan="follow",
                pan_error_deg=0.4, shake_deg=0.08, seed=8,
            ),
            capture_rate_hz=60,
            duration_s=4.0,
            picture=Picture(shutter_s=1 / 250, blur_samples=3, noise=1.5),
            turned_deg=90,
            crf=22,
            name="portrait_rotated",
            note="Upright phone: pictures stored sideways, rotation in the metadata; panning, 4 m/s.",
        ),
        ClipSpec(
            (
                runner_at(4.0, start_x_m=-5.2, phase=0.1),
                runner_at(3.4, direction="left", start_x_m=-5.4, lane_z_m=-2.44, look=RED, phase=0.3),
                spectator,
            ),
            camera=Camera(distance_m=9.0, view_deg=62.0),
            capture_rate_hz=60,
            duration_s=2.55,
            picture=Picture(shutter_s=1 / 500, noise=2.0),
            name="two_runners",
            note="A second runner crosses behind in the other direction; a spectator stands.",
        ),
        ClipSpec(
            (runner_at(4.2, start_x_m=-5.6, phase=0.4, look=GREEN),),
            camera=Camera(distance_m=9.5, view_deg=58.0, off_perpendicular_deg=30.0),
            capture_rate_hz=120,
            duration_s=2.25,
            picture=_CRISP,
            name="oblique_30",
            note="The camera stands 30 degrees off the side view.",
        ),
        ClipSpec(
            (_poor(),),
            camera=_wide(12.6, 14.0),
            capture_rate_hz=120,
            duration_s=2.7,
            picture=_CRISP,
            name="same_athlete_before",
            note="Over-striding, low knee lift, stiff arms, much lean; 4.6 m/s.",
        ),
        ClipSpec(
            (_better(),),
            camera=_wide(12.6, 14.0),
            capture_rate_hz=120,
            duration_s=2.7,
            picture=_CRISP,
            name="same_athlete_after",
            note="The same invented athlete, improved; 4.6 m/s.",
        ),
    )  # fmt: skip
    return {spec.name: spec for spec in made}
