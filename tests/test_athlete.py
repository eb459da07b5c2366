"""Who the athlete is, and following that person, on invented people whose truth is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from shared.errors import AthleteError, Cancelled
from vision.athlete import choose_athlete, find_people, follow, prominence, stands_still
from vision.athlete_follow import PersonPath
from vision.athlete_links import Path as LinkPath
from vision.athlete_links import link, steady
from vision.athlete_people import Person, Sighting, tiles
from vision.clip import frames, probe
from vision.person_detector import PersonBox
from vision.pose import PoseEngine, PoseResult, Window

CLIPS = Path(__file__).parents[2] / "shared" / "clips"
WIDTH, HEIGHT = 640, 360
FloatArray = NDArray[np.float64]


# -- tiles ---------------------------------------------------------------------------------------


@given(
    st.sampled_from(
        [(1920, 1080), (1080, 1920), (1280, 720), (640, 480), (160, 120), (720, 720), (3840, 1600)]
    ),
    st.floats(0.15, 0.25),
    st.floats(0, 1),
    st.floats(0, 1),
)
def test_a_small_body_lies_whole_in_a_small_tile(
    size: tuple[int, int], share: float, across: float, down: float
) -> None:
    """A body of 15 % of the picture's height fills at least a quarter of a tile that holds it whole."""
    width, height = size
    body = share * height - 2  # tiles start at whole pixels
    left, top = across * (width - body), down * (height - body)
    large, small = tiles(width, height)
    whole = [
        side
        for x, y, side in [*large, *small, (0, 0, max(width, height))]
        if x <= left and y <= top and left + body <= x + side and top + body <= y + side
    ]
    assert min(whole) <= max(body * 4, height * 0.6 + 1)


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1080, 1920), (640, 480), (200, 200)])
def test_tiles_stay_inside_the_picture(width: int, height: int) -> None:
    for group in tiles(width, height):
        for x, y, side in group:
            assert x >= 0 and y >= 0 and x + side <= width and y + side <= height


# -- linking -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Spot:
    time_s: float
    centre: FloatArray
    radius: float
    who: str


def _linked(
    movers: dict[str, Callable[[float], tuple[float, float, float] | None]],
    rate: float = 8.0,
    noise: float = 0.0,
) -> list[LinkPath[Spot]]:
    rng = np.random.default_rng(3)
    paths: list[LinkPath[Spot]] = []
    for i in range(int(3 * rate)):
        t = i / rate
        spots = [
            Spot(t, np.array(place[:2]) + rng.normal(0, noise, 2), place[2], who)
            for who, mover in movers.items()
            if (place := mover(t)) is not None
        ]
        rng.shuffle(spots)  # type: ignore[arg-type]
        paths = link(paths, spots, t)
    return paths


def _pure(paths: list[LinkPath[Spot]]) -> list[str]:
    names = []
    for path in paths:
        who = {s.who for s in path.sightings}
        assert len(who) == 1, f"identities mixed: {[s.who for s in path.sightings]}"
        names.append(who.pop())
    return sorted(names)


def test_two_who_cross_keep_their_names() -> None:
    paths = _linked(
        {"right": lambda t: (50 + 200 * t, 200, 50), "left": lambda t: (650 - 200 * t, 205, 52)}, noise=2.0
    )
    assert _pure(paths) == ["left", "right"]


def test_crossing_with_one_hidden_meanwhile() -> None:
    def hidden(t: float) -> tuple[float, float, float] | None:
        return None if 1.2 < t < 1.9 else (650 - 200 * t, 200, 48)

    paths = _linked({"front": lambda t: (50 + 200 * t, 205, 55), "behind": hidden}, noise=1.0)
    assert _pure(paths) == ["behind", "front"]


def test_runner_passes_a_standing_person() -> None:
    paths = _linked(
        {"runner": lambda t: (30 + 300 * t, 200, 60), "stands": lambda t: (400, 205, 55)}, noise=2.0
    )
    assert _pure(paths) == ["runner", "stands"]


def test_a_long_absence_starts_anew() -> None:
    paths = _linked({"a": lambda t: None if 0.5 < t < 2.0 else (100, 100, 40)})
    assert len(paths) == 2


def test_another_size_is_another_person() -> None:
    paths = _linked({"a": lambda t: (100, 100, 40 if t < 1 else 120)})
    assert len(paths) == 2


def test_a_false_sighting_does_not_lead_the_path_away() -> None:
    """At the crossing a false body is seen above the two; the next true one must be taken again."""

    def runner(t: float) -> tuple[float, float, float]:
        return (40 + 480 * t, 365, 110)

    def false(t: float) -> tuple[float, float, float] | None:
        return (680 + 200 * (t - 1.3), 297 - 300 * (t - 1.3), 154) if 1.2 < t < 1.5 else None

    def hidden_at_the_crossing(t: float) -> tuple[float, float, float] | None:
        return None if 1.2 < t < 1.3 else runner(t)

    paths = _linked({"runner": hidden_at_the_crossing, "false": false}, noise=1.0)
    longest = max(paths, key=lambda path: len(path.sightings))
    wrong = [s for s in longest.sightings if s.who != "runner"]
    assert len(longest.sightings) >= 22 and len(wrong) <= 1
    assert {s.who for s in steady(longest.sightings)} == {"runner"}


@given(st.floats(-300, 300), st.integers(0, 11), st.floats(0.6, 3), st.floats(-np.pi, np.pi))
def test_a_jump_is_dropped_and_a_straight_path_is_kept(
    speed: float, which: int, jump: float, direction: float
) -> None:
    spots = [Spot(i / 8, np.array([speed * i / 8, 100.0]), 50, "x") for i in range(12)]
    assert steady(spots) == tuple(spots)
    off = 50 * jump * np.array([np.cos(direction), np.sin(direction)])
    spots[which] = Spot(which / 8, spots[which].centre + off, 50, "false")
    assert [s.time_s for s in steady(spots)] == [i / 8 for i in range(12) if i != which]


# -- choice --------------------------------------------------------------------------------------


def _person(
    start: float,
    speed: float,
    height: float,
    legs: float,
    seconds: float = 3.0,
    first: float = 0.0,
    y: float = 200,
) -> Person:
    """Somebody of `height` px who moves at `speed` px/s and opens the legs by `legs` (SD, radii)."""
    radius = height / 1.75
    sightings = []
    for i in range(int(seconds * 8) + 1):
        t = i / 8
        swing = 0.5 + np.sqrt(2) * legs * np.sin(2 * np.pi * 2.9 * t)
        sightings.append(
            Sighting(
                frame=int(30 * (t + first)),
                time_s=t + first,
                centre=np.array([start + speed * t, y]),
                radius=radius,
                rotation=0.05,
                ankles=np.array([swing, 0.02]),
                score=1.0,
            )
        )
    return Person(tuple(sightings), (WIDTH, HEIGHT), 3.0)


RUNNER = _person(20, 200, 120, 0.35)


@pytest.mark.parametrize(
    "other",
    [
        _person(300, 0, 120, 0.02),  # a spectator
        _person(320, 0, 330, 0.03),  # somebody standing right in front of the camera
        _person(600, -150, 200, 0.03),  # a spectator while the camera pans
        _person(100, 30, 120, 0.18),  # a walker
        _person(20, 200, 60, 0.35),  # a runner farther away
        _person(20, 200, 120, 0.35, seconds=0.8),  # a runner seen briefly
    ],
    ids=["spectator", "close spectator", "panned spectator", "walker", "far runner", "brief runner"],
)
def test_the_runner_is_chosen(other: Person) -> None:
    assert choose_athlete([other, RUNNER]) is RUNNER
    assert prominence(RUNNER) > prominence(other)


def test_the_runner_on_a_treadmill_is_chosen() -> None:
    treadmill = _person(320, 0, 200, 0.33)
    passer_by = _person(50, 100, 150, 0.15, seconds=2.0)
    assert choose_athlete([passer_by, treadmill, _person(500, 0, 200, 0.02)]) is treadmill
    assert not stands_still(treadmill)


def test_somebody_standing_is_chosen_when_alone_and_said_to_stand() -> None:
    standing = _person(300, 0, 120, 0.02)
    assert choose_athlete([standing]) is standing
    assert stands_still(standing)


def test_pointing_overrules() -> None:
    spectator = _person(300, 0, 120, 0.02)
    assert choose_athlete([RUNNER, spectator], (305, 190, 0.2)) is spectator
    assert choose_athlete([RUNNER, spectator], (20 + 200 * 2.55, 230, 2.55)) is RUNNER


@pytest.mark.parametrize("point", [(600, 60, 0.0), (20, 200, 30.0)])
def test_pointing_at_nobody_is_one_sentence(point: tuple[float, float, float]) -> None:
    with pytest.raises(AthleteError, match=r"run\.mp4: nobody was found at") as caught:
        choose_athlete([RUNNER], point, clip="run.mp4")
    assert "\n" not in str(caught.value)


def test_nobody_is_one_sentence() -> None:
    with pytest.raises(AthleteError, match=r"run\.mp4: nobody was found in it; film one whole runner"):
        choose_athlete([], clip="run.mp4")


def test_measures_of_a_person() -> None:
    assert RUNNER.height_px == pytest.approx(120)
    assert RUNNER.travel == pytest.approx(600 / 120)
    assert RUNNER.seconds == pytest.approx(3.0)
    assert _person(0, 0, 100, 0.2, seconds=20).leg_motion == pytest.approx(0.2, rel=0.05)  # SD of a sine


# -- following -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shown:
    index: int
    time_s: float
    rgb: NDArray[np.uint8]


BLANK = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
OFFSETS = np.random.default_rng(0).uniform(-1, 1, (33, 2)) * [0.45, 0.9]


class Invented(PoseEngine):
    """An engine that sees invented people: whoever is nearest to the window's centre."""

    def __init__(self, *people: Callable[[float], tuple[float, float, float] | None]) -> None:
        self.name = "invented"
        self.people = people
        self.now = 0.0

    def _visible(self) -> list[tuple[float, float, float]]:
        return [place for person in self.people if (place := person(self.now)) is not None]

    def detect(self, rgb: Any, min_score: float = 0.5) -> list[PersonBox]:
        return []

    def landmarks(self, rgb: Any, window: Window, quick: bool = False, turn: int = 0) -> PoseResult:
        visible = self._visible()
        near = [p for p in visible if np.hypot(p[0] - window.x, p[1] - window.y) < window.side / 2]
        x, y, radius = (
            min(near, key=lambda p: np.hypot(p[0] - window.x, p[1] - window.y)) if near else (0, 0, 1.0)
        )
        centre = np.array([x, y], float)
        ones = np.ones(33)
        return PoseResult(
            xy_px=centre + radius * OFFSETS,
            depth_px=0 * ones,
            visibility=ones,
            presence=ones,
            score=0.99 if near else 0.01,
            centre=centre,
            reach=centre - [0, radius],
            window=window,
        )


def _shown(engine: Invented, count: int = 90, rate: float = 30.0) -> Any:
    for i in range(count):
        engine.now = i / rate
        yield Shown(i, i / rate, BLANK)


def _runner(t: float) -> tuple[float, float, float]:
    return 20 + 200 * t, 200 + 4 * np.sin(17 * t), 120 / 1.75


def test_frames_between_are_shown_and_not_looked_at() -> None:
    engine = Invented(_runner)
    seen: list[tuple[int, bool]] = []
    whole = follow(_shown(engine), RUNNER, engine)
    raw = follow(
        _shown(engine),
        RUNNER,
        engine,
        on_frame=lambda frame, pose: seen.append((frame.index, pose is not None)),
        every=3,
    )
    assert [index for index, _ in seen] == list(range(90))
    assert not any(found for index, found in seen if index % 3)
    kept = whole.frame % 3 == 0
    np.testing.assert_array_equal(raw.frame, whole.frame[kept])
    np.testing.assert_array_equal(raw.xy_px, whole.xy_px[kept])


def test_every_frame_is_followed_and_shown() -> None:
    engine = Invented(_runner)
    seen: list[tuple[int, bool]] = []
    told: list[tuple[str, int, int | None]] = []
    raw = follow(
        _shown(engine),
        RUNNER,
        engine,
        on_frame=lambda frame, pose: seen.append((frame.index, pose is not None)),
        progress=lambda stage, done, total: told.append((stage, done, total)),
        total=90,
    )
    assert [index for index, _ in seen] == list(range(90))
    assert told == [("following the athlete", i, 90) for i in range(1, 91)]
    centre = np.array([_runner(t)[:2] for t in raw.time_s])
    whole = centre[:, None] + 120 / 1.75 * OFFSETS
    inside = ((whole >= 0) & (whole <= [WIDTH - 1, HEIGHT - 1])).all(-1)
    np.testing.assert_allclose(raw.xy_px[inside], whole[inside])
    assert np.isnan(raw.xy_px[~inside]).all() and (~inside).any()  # nothing invented beyond the border
    assert raw.model == "invented"


def test_a_gap_stays_a_gap() -> None:
    engine = Invented(lambda t: None if 1.0 <= t < 1.5 else _runner(t))
    raw = follow(_shown(engine), RUNNER, engine)
    hidden = (raw.time_s >= 1.0 - 1e-9) & (raw.time_s < 1.5 - 1e-9)
    assert hidden.sum() == 15
    assert np.isnan(raw.xy_px[hidden]).all() and np.isnan(raw.score[hidden]).all()
    assert np.isfinite(raw.score[~hidden]).all()


def test_the_track_ends_when_the_athlete_has_left() -> None:
    short = Person(RUNNER.sightings[:16], RUNNER.picture, 3.0)
    engine = Invented(lambda t: (20 + 300 * t, 200, 120 / 1.75))
    fast = Person(
        tuple(
            Sighting(s.frame, s.time_s, np.array([20 + 300 * s.time_s, 200]), s.radius, 0, s.ankles, 1)
            for s in short.sightings
        ),
        RUNNER.picture,
        3.0,
    )
    raw = follow(_shown(engine), fast, engine)
    # mid-hip leaves the picture at 2.07 s; by then half of the body is outside
    assert 1.9 < raw.time_s[-1] < 2.1


def test_frames_before_the_first_sighting_are_followed_too() -> None:
    engine = Invented(_runner)
    late = Person(RUNNER.sightings[4:], RUNNER.picture, 3.0)  # first seen after half a second
    raw = follow(_shown(engine), late, engine)
    assert raw.time_s[0] < 0.2


def test_crossing_never_takes_the_other_ones_landmarks() -> None:
    """While two overlap a frame may be empty, but never somebody else's."""

    def other(t: float) -> tuple[float, float, float]:
        return 620 - 200 * t, 206, 122 / 1.75

    engine = Invented(_runner, other)
    people = [RUNNER, _person(620, -200, 122, 0.3, y=206)]
    raw = follow(_shown(engine), people[0], engine, others=people)
    truth = np.array([_runner(t)[:2] for t in raw.time_s])[:, None] + 120 / 1.75 * OFFSETS
    found = np.isfinite(raw.score)
    difference = np.abs(raw.xy_px - truth)
    assert np.nanmax(difference) < 1e-6
    apart = np.abs(600 - 400 * raw.time_s) > 1.2 * 120 / 1.75
    assert found[apart].all()
    assert not found[~apart].all()  # the larger one passed in front


def test_a_stranger_in_the_athletes_place_is_not_followed() -> None:
    engine = Invented(lambda t: (300.0, 200.0, 120 / 1.75))  # stands still; the path runs past
    raw = follow(_shown(engine), RUNNER, engine)
    np.testing.assert_array_less(np.abs(raw.time_s[np.isfinite(raw.score)] - 1.4), 0.25)


def test_followed_nowhere_is_one_sentence() -> None:
    engine = Invented(lambda t: None)
    with pytest.raises(AthleteError, match=r"run\.mp4: the athlete could not be followed"):
        follow(_shown(engine), RUNNER, engine, clip="run.mp4")


def test_work_can_be_stopped() -> None:
    def stop(stage: str, done: int, total: int | None) -> None:
        if done == 10:
            raise Cancelled("run.mp4", "stopped", "start again when you like")

    engine = Invented(_runner)
    with pytest.raises(Cancelled):
        follow(_shown(engine), RUNNER, engine, progress=stop)
    with pytest.raises(Cancelled):
        find_people(_shown(engine), engine, progress=stop)


def test_path_of_constant_speed_is_a_straight_line() -> None:
    path = PersonPath(RUNNER)
    for t in (-0.5, 0.0, 0.33, 2.71, 3.4):
        np.testing.assert_allclose(path.centre(t), [20 + 200 * t, 200], atol=1e-9)
    assert path.radius(1.0) == pytest.approx(120 / 1.75)


# -- looking for people --------------------------------------------------------------------------


class Blobs(PoseEngine):
    """An engine whose people are bright upright bars, found as the real detector finds bodies.

    A body must lie whole in what is shown and fill a quarter of its longer side.
    """

    def __init__(self) -> None:
        self.name = "blobs"
        self.shown = 0

    def _bars(self, rgb: NDArray[np.uint8]) -> list[tuple[float, float, float]]:
        _, _, stats, middles = cv2.connectedComponentsWithStats((rgb[..., 0] > 100).astype(np.uint8))
        edge = [rgb.shape[1], rgb.shape[0]]
        return [
            (float(x), float(y), float(h) / 1.75)
            for (left, top, w, h, _), (x, y) in list(zip(stats, middles))[1:]
            if left > 0 and top > 0 and left + w < edge[0] and top + h < edge[1]
        ]

    def detect(self, rgb: Any, min_score: float = 0.5) -> list[PersonBox]:
        self.shown += 1
        found = [bar for bar in self._bars(rgb) if bar[2] * 1.75 > 0.25 * max(rgb.shape)]
        return [
            PersonBox(0.9, np.array([x - r, y - r, x + r, y]), np.array([x, y]), np.array([x, y - r]))
            for x, y, r in found
        ]

    def landmarks(self, rgb: Any, window: Window, quick: bool = False, turn: int = 0) -> PoseResult:
        bars = self._bars(rgb)
        distance = [np.hypot(x - window.x, y - window.y) for x, y, _ in bars]
        found = bool(bars) and min(distance) < window.side / 4
        x, y, radius = bars[int(np.argmin(distance))] if found else (window.x, window.y, 1.0)
        centre, ones = np.array([x, y]), np.ones(33)
        return PoseResult(
            centre + radius * OFFSETS,
            0 * ones,
            ones,
            ones,
            0.99 if found else 0.0,
            centre,
            centre - [0, radius],
            window,
        )


def _bars(*movers: tuple[float, float, float, float], seconds: float = 2.0, rate: float = 30.0) -> Any:
    """Frames of bars (x at the start px, px/s, y of the middle px, height px)."""
    for i in range(int(seconds * rate)):
        picture = np.zeros((HEIGHT, WIDTH, 3), np.uint8)
        for x, speed, y, height in movers:
            left, top = round(x + speed * i / rate - height / 8), round(y - height / 2)
            cv2.rectangle(
                picture, (left, top), (left + round(height / 4), top + round(height)), (255,) * 3, -1
            )
        yield Shown(i, i / rate, picture)


@pytest.mark.parametrize("share", [0.16, 0.3, 0.5, 0.9])
def test_people_of_every_size_are_found(share: float) -> None:
    height = share * HEIGHT
    (person,) = find_people(_bars((150, 120, 180, height)), Blobs())
    assert person.seconds == pytest.approx(1.9, abs=0.15)
    assert person.height_px == pytest.approx(height, rel=0.05)
    np.testing.assert_allclose(person.centre[:, 0], 150 + 120 * person.time_s, atol=1.5)


def test_people_who_pass_each_other_are_two() -> None:
    frames_ = _bars((60, 200, 170, 100), (580, -200, 230, 110))
    people = find_people(frames_, Blobs())
    assert len(people) == 2
    for person in people:
        step = np.diff(person.centre[:, 0]) / np.diff(person.time_s)
        assert (step > 100).all() or (step < -100).all()  # nobody turns round (one merged blob: +- 50)
        assert abs(np.polyfit(person.time_s, person.centre[:, 0], 1)[0]) == pytest.approx(200, abs=8)


def test_a_body_seen_for_a_moment_is_nobody_beside_a_runner() -> None:
    def flash() -> Any:
        for shown in _bars((150, 120, 180, 120)):
            if 0.4 < shown.time_s < 0.6:
                cv2.rectangle(shown.rgb, (500, 40), (530, 160), (255,) * 3, -1)
            yield shown

    assert len(find_people(flash(), Blobs())) == 1


def test_a_very_short_clip_still_has_its_person() -> None:
    assert len(find_people(_bars((150, 120, 180, 120), seconds=0.2), Blobs())) == 1


def test_scaled_down_frames_give_full_size_people() -> None:
    (person,) = find_people(_bars((150, 120, 180, 120)), Blobs(), scale=3.0)
    assert person.picture == (3 * WIDTH, 3 * HEIGHT)
    assert person.height_px == pytest.approx(360, rel=0.05)
    np.testing.assert_allclose(person.centre[:, 0], 3 * (150 + 120 * person.time_s), atol=4.5)


def test_few_pictures_are_looked_at() -> None:
    """The coarse pass costs the same at any frame rate."""
    slow, fast = Blobs(), Blobs()
    find_people(_bars((150, 120, 180, 120), rate=30), slow)
    find_people(_bars((150, 120, 180, 120), rate=240), fast)
    assert fast.shown == pytest.approx(slow.shown, rel=0.1)


def test_nobody_is_no_people() -> None:
    assert find_people(_bars(), Blobs()) == []


# -- video ---------------------------------------------------------------------------------------


@pytest.mark.slow
def test_park_runner_is_found_in_every_frame() -> None:
    """Oracle: a plain loop with the reference library finds her in 93 of 93 frames."""
    file = CLIPS / "park_runner_1080p30.mp4"
    if not file.exists():
        pytest.skip("the reference clip of a park runner is not beside the checkout")
    clip, engine = probe(file), PoseEngine()
    people = find_people(frames(clip), engine)
    runner = choose_athlete(people)
    assert not stands_still(runner)
    raw = follow(frames(clip), runner, engine, others=people)
    assert list(raw.frame) == list(range(93))
    assert np.isfinite(raw.score).all()
    hips = raw.xy_px[:, [23, 24]].mean(axis=1)
    assert hips[0, 0] > 1500 and hips[-1, 0] < 600  # right to left
    assert (np.diff(hips[:, 0]) < 5).all()  # never jumps back


@pytest.mark.slow
def test_tiny_field_runner_is_found_on_each_pass() -> None:
    """The clip shows four passes with empty spells between (a plain loop finds 108 of 325 frames)."""
    file = CLIPS / "field_runner_160x120_25.avi"
    if not file.exists():
        pytest.skip("the reference clip of a field runner is not beside the checkout")
    clip, engine = probe(file), PoseEngine()
    people = [p for p in find_people(frames(clip, step=2), engine) if p.travel > 1]
    assert len(people) == 4
    directions = [
        np.sign(p.centre[-1, 0] - p.centre[0, 0]) for p in sorted(people, key=lambda p: p.time_s[0])
    ]
    assert directions == [-1, 1, -1, 1]
