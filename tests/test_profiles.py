"""The shipped profiles load, lean on sources, and hold the published values they cite."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest

from shared.catalogue import MEASURES
from shared.errors import ProfileError
from technique.profile_schema import NO_SOURCE, target_area, target_unit
from technique.targets import PROFILE_FOLDER, load_profile, profile_names, profiles_for_speed, verdict_of

REFERENCE = Path(__file__).parents[1].parent / "shared" / "reference" / "treadmill_running"
NAMES = ("acceleration", "easy-run", "fast-run", "return-check", "top-speed")


def test_the_five_profiles_are_there() -> None:
    assert profile_names() == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_every_target_has_a_source_and_the_catalogues_unit(name: str) -> None:
    profile = load_profile(name)
    assert profile.name == name
    assert len(profile.sha256) == 64
    for target in profile.targets:
        assert target.unit == target_unit(target.measure)
        assert target_area(target.measure) in {kind.area for kind in MEASURES.values()}
        assert target.source == NO_SOURCE or any(c.isdigit() for c in target.source), target.measure
        assert (target.source == NO_SOURCE) == (target.evidence == "common practice")


@pytest.mark.parametrize("name", NAMES)
def test_a_copied_and_edited_file_is_used(name: str, tmp_path: Path) -> None:
    text = (PROFILE_FOLDER / f"{name}.yaml").read_text(encoding="utf-8")
    copy = tmp_path / "mine.yaml"
    copy.write_text(text.replace("version: 1", "version: 7", 1), encoding="utf-8")
    mine, original = load_profile(copy), load_profile(name)
    assert (mine.name, mine.version) == ("mine", 7)
    assert mine.targets == original.targets
    assert mine.sha256 != original.sha256


def test_a_byte_order_mark_and_crlf_do_no_harm(tmp_path: Path) -> None:
    text = (PROFILE_FOLDER / "easy-run.yaml").read_text(encoding="utf-8")
    copy = tmp_path / "from windows.yml"
    copy.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    assert load_profile(str(copy)).targets == load_profile("easy-run").targets


def test_no_made_up_profile_limits_for_a_return() -> None:
    """There is no agreed 10 % rule (London Delphi consensus 2023, Br J Sports Med)."""
    for target in load_profile("return-check").targets:
        assert 10 not in (target.low, target.high)


# Published values that the cited targets must hold, typed from the sources.
PUBLISHED = (
    # Heiderscheit 2011 Table 3: own step rate, -10 %, +10 %
    ("easy-run", "knee_flexion_td", (17.8, 16.9, 19.6)),
    ("easy-run", "knee_flexion_stance_max", (46.3, 50.6, 42.8)),
    # Teng and Powers 2015: the low and the high group
    ("easy-run", "trunk_lean", (3.6, 10.8)),
    # Karamanidis and Arampatzis 2005 Table 4: young runners, young non-active
    ("easy-run", "contact_time", (0.271, 0.282)),
    ("easy-run", "duty_factor", (35.5, 36.7)),
    # Lieberman 2015: best economy at 84.8 strides/min; Thakkar 2019: lowest and highest tibial force
    ("easy-run", "step_frequency", (2 * 84.8, 166.0, 178.0)),
    # Evans 2023: recreational and collegiate runners
    ("easy-run", "shank_angle_td", (6.8, 2.1)),
    # vertical displacement of runners at 6.0, 7.5, 9.0 mph (thesis, Pacific University 1994)
    ("easy-run", "vertical_oscillation", (0.072, 0.065, 0.057)),
    # Coh 2018 world-class sprinter; Mendiguchia 2021 amateurs after and before
    ("top-speed", "contact_time", (0.086, 0.102, 0.109)),
    ("top-speed", "step_frequency", (4.36 * 60,)),
)


@pytest.mark.parametrize(("name", "key", "values"), PUBLISHED)
def test_published_means_lie_inside(name: str, key: str, values: tuple[float, ...]) -> None:
    target = load_profile(name).target(key)
    assert target is not None
    for value in values:
        assert verdict_of(value, value, target.low, target.high) == "inside", value


def _from_vertical(top: np.ndarray, bottom: np.ndarray) -> np.ndarray:
    d = bottom - top
    return np.degrees(np.arctan2(d[:, 0], -d[:, 1]))


def _runner_values(file: Path) -> dict[str, float]:
    """Median over strides of each measure of one runner at one speed; frames at 150/s."""
    data = np.load(file)
    contacts = data["contacts"]
    mid_hip = (data["left_hip"] + data["right_hip"]) / 2
    found: dict[str, list[float]] = defaultdict(list)
    for i in range(len(contacts) - 2):
        on, off = contacts[i]
        again = contacts[i + 2][0]
        a, b, c = (round(t * 150) for t in (on, off, again))
        if c >= len(mid_hip):
            continue
        side = max(("left", "right"), key=lambda s: np.nan_to_num(data[f"{s}_ankle"][a, 0], nan=-9.0))
        hip, knee, ankle = (data[f"{side}_{j}"] for j in ("hip", "knee", "ankle"))
        thigh, shank = _from_vertical(hip, knee), _from_vertical(knee, ankle)
        bend = thigh - shank
        leg = np.nanpercentile(np.hypot(*(hip - ankle).T), 99.5)
        found["td_distance_leg"].append(100 * (ankle[a, 0] - mid_hip[a, 0]) / leg)
        found["shank_angle_td"].append(shank[a])
        found["knee_flexion_td"].append(bend[a])
        found["knee_flexion_stance_max"].append(np.nanmax(bend[a:b]))
        found["knee_flexion_swing_max"].append(np.nanmax(bend[b:c]))
        found["thigh_angle_max"].append(np.nanmax(thigh[a:c]))
        found["thigh_angle_min"].append(np.nanmin(thigh[a:c]))
        found["vertical_oscillation"].append(np.ptp(mid_hip[a:c, 1]))
        found["contact_time"].append(off - on)
        found["step_frequency"].append(120 / (again - on))
        found["duty_factor"].append(100 * (off - on) / (again - on))
    return {key: float(np.nanmedian(values)) for key, values in found.items()}


@pytest.mark.parametrize(("name", "speeds"), [("easy-run", ("25", "35")), ("fast-run", ("35", "45"))])
def test_cited_open_data_lie_inside(name: str, speeds: tuple[str, ...]) -> None:
    """Targets that cite the data of Fukuchi et al. 2017 (PeerJ 5:e3298) hold 9 in 10 of its runners."""
    files = [f for speed in speeds for f in sorted(REFERENCE.glob(f"rbds*_T{speed}.npz"))]
    if not files:
        pytest.skip("the open treadmill data are not beside this checkout")
    runners = [_runner_values(file) for file in files]
    checked = 0
    for target in load_profile(name).targets:
        values = [r[target.measure] for r in runners if target.measure in r]
        if not values or "Fukuchi" not in target.source:
            continue
        checked += 1
        inside = [verdict_of(v, v, target.low, target.high) == "inside" for v in values]
        assert np.mean(inside) >= 0.9, f"{target.measure}: {np.round(values, 3)}"
    assert checked >= 8


def test_profiles_for_speed() -> None:
    assert profiles_for_speed(3.0) == ("easy-run",)
    assert profiles_for_speed(4.0) == ("easy-run", "fast-run")
    assert profiles_for_speed(9.5) == ("top-speed",)
    assert profiles_for_speed(0.5) == ()


def test_unknown_name_is_met_with_the_nearest() -> None:
    with pytest.raises(
        ProfileError, match=r"^esy-run: there is no profile of that name; did you mean 'easy-run'\?"
    ):
        load_profile("esy-run")


def test_the_guide_names_every_measure_that_can_have_a_target() -> None:
    guide = (Path(__file__).parents[1] / "docs" / "profiles.md").read_text(encoding="utf-8")
    for key in MEASURES:
        if target_unit(key) is not None:
            assert f"`{key}`" in guide, key
    for name in NAMES:
        assert f"`{name}`" in guide


@pytest.mark.parametrize("name", NAMES)
def test_the_guide_shows_the_targets_as_they_are(name: str) -> None:
    guide = (Path(__file__).parents[1] / "docs" / "profiles.md").read_text(encoding="utf-8")
    section = guide.split(f"### `{name}`")[1].split("### ")[0]
    profile = load_profile(name)
    assert section.count("\n| `") == len(profile.targets)
    for t in profile.targets:
        ends = [f"{e:g}" for e in (t.low, t.high) if e is not None]
        words = (
            " to ".join(ends) if len(ends) == 2 else f"at {'most' if t.low is None else 'least'} {ends[0]}"
        )
        row = f"| `{t.measure}` ({t.side}) | {words} {t.unit} | {t.importance} | {t.source} | {t.evidence} |"
        assert row in section, row
