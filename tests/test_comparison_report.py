"""The report of a comparison: its words, its numbers, and pictures in step with the gait cycle."""

from __future__ import annotations

import csv
import html
import io
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import landmarks as lm
from shared.analysis import Event
from shared.errors import LanesideError
from technique.comparison import compare
from technique.takes import take
from tests import builders
from tests.invented_weeks import invented
from tests.page_helpers import tiny_clip
from ui.history_find import Group, folder_group
from ui.history_plots import change_strip
from ui.history_report import write_comparison
from ui.history_video import (
    HEAD_PX,
    RATE_HZ,
    SHOWN_CYCLE_S,
    WIDTH_PX,
    Side,
    cycle_starts,
    cycle_times,
    write_pair_video,
)


def _group(name: str, **changes: object) -> Group:
    made = [
        invented(f"{name} {near} {i}", near, seed=i, **changes)  # type: ignore[arg-type]
        for near in ("left", "right")
        for i in (1, 2)
    ]
    return Group(name, (take(made, name, "2026-03-02"),), tuple(made), (None,) * len(made))


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report of two invented groups; only the knee lift differs, by 18 degrees."""
    out = tmp_path_factory.mktemp("report")
    after = _group("after <b>", add={("thigh_angle_max", "both"): 18.0})
    after = replace(after, takes=(replace(after.takes[0], date="2026-03-30"),))
    write_comparison(_group("before"), after, out)
    return out


def _text(page: Path) -> str:
    return html.unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))


def test_the_page_says_every_verdict_in_words_and_never_decides(report: Path) -> None:
    text = " ".join(_text(report / "comparison.html").split())
    for words in (
        "Invented example",
        "no change beyond error",
        "Largest thigh angle (knee lift), right: changed",
        "smallest change that can be told",
        "Joint angles over the gait cycle",
        "not better or worse by itself",
    ):
        assert words in text
    assert "cleared" not in text.lower()
    raw = (report / "comparison.html").read_text(encoding="utf-8")
    assert "after <b>" not in raw, "a label is never read as markup"
    assert not re.search(r'(src|href)="https?:', raw)


def test_the_table_is_what_was_compared(report: Path) -> None:
    rows = list(csv.DictReader(io.StringIO((report / "comparison.csv").read_text(encoding="utf-8"))))
    after = _group("after", add={("thigh_angle_max", "both"): 18.0})
    found = compare(_group("before").takes, replace(after.takes[0], date="2026-03-30"))
    assert len(rows) == len(found.changes)
    for row, change in zip(rows, found.changes):
        assert (row["key"], row["side"], row["verdict"]) == (change.key, change.side, change.verdict)
        if change.difference is not None:
            assert float(row["difference"]) == pytest.approx(change.difference, rel=1e-4, abs=1e-6)


def test_the_differing_part_of_the_cycle_is_marked(report: Path) -> None:
    # The change is put where the thigh is highest; that lies in the second half of the cycle.
    text = _text(report / "comparison.html")
    found = re.search(r"Thigh angle, right: [^.]*?(\d+)–(\d+) % \(\+", text)
    assert found is not None
    start, end = int(found[1]), int(found[2])
    assert start < 80 < end
    assert "Trunk lean: no part of the cycle differs" in text


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_the_pdf_says_the_same(report: Path) -> None:
    done = subprocess.run(
        ["pdftotext", "-layout", str(report / "comparison.pdf"), "-"],
        capture_output=True,
        text=True,
        check=True,
    )
    text = " ".join(done.stdout.split())
    for words in (
        "What changed",
        "Invented example",
        "no change beyond error",
        "knee lift",
        "How to read this",
    ):
        assert words in text
    assert "cleared" not in text.lower()


def test_what_cannot_be_compared_says_why(tmp_path: Path) -> None:
    slow = _group("slow", add={("speed", "both"): -1.0})
    write_comparison(_group("fast"), slow, tmp_path)
    text = " ".join(_text(tmp_path / "comparison.html").split())
    assert "The two can't be compared: the speed differs by more than 5 %" in text
    assert "Not comparable" in text
    assert (
        "<img"
        not in (tmp_path / "comparison.html")
        .read_text(encoding="utf-8")
        .partition('id="curves"')[2]
        .partition("</section>")[0]
    )


def test_a_folder_without_a_result_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(LanesideError, match=r"there is no analysis\.json in it"):
        folder_group(tmp_path)


def test_the_strip_puts_nought_in_the_middle_and_the_error_about_it() -> None:
    svg = change_strip(3.0, 1.0, 5.0, 2.0, "x", "up by 3")
    middle = 90.0
    box = re.search(r'<rect x="([\d.]+)" y="4" width="([\d.]+)"', svg)
    assert box is not None
    left, width = float(box[1]), float(box[2])
    assert left + width / 2 == pytest.approx(middle, abs=0.2)
    diamond = re.search(r'<path d="M([\d.]+)', svg)
    assert diamond is not None
    scale = (width / 2) / 2.0
    assert float(diamond[1]) + 5 - middle == pytest.approx(3.0 * scale, abs=0.3)


@given(
    st.lists(st.floats(0.3, 1.2), min_size=1, max_size=6),
    st.integers(1, 60),
    st.floats(0, 10),
)
def test_landings_coincide_and_time_never_runs_back(gaps: list[float], steps: int, start: float) -> None:
    starts = start + np.concatenate([[0.0], np.cumsum(gaps)])
    times = cycle_times(starts, len(gaps), steps)
    np.testing.assert_allclose(times[::steps], starts)
    assert (np.diff(times) > 0).all()


def test_a_missing_landing_breaks_the_row() -> None:
    base = builders.analysis()
    landings = [0.1, 0.8, 1.5, 2.9, 3.6, 4.3, 5.0]
    events = [Event("touchdown", "right", t, t, t, 0) for t in landings]
    events += [Event("touchdown", "left", t + 0.35, t, t, 0) for t in landings]
    np.testing.assert_allclose(cycle_starts(replace(base, events=tuple(events))), landings[3:])


def _side(path: Path, touchdown_frames: list[int], frames: int) -> Side:
    """A clip of a block that moves 10 px a frame, with landings on chosen frames."""
    path.write_bytes(tiny_clip(frames))
    track = builders.track(frames)
    xy = np.full((frames, lm.COUNT, 2), np.nan)
    clip = replace(track.clip, width=320, height=240, frames=frames)
    quality = replace(track.quality, runner_height_px=400.0)
    events = tuple(Event("touchdown", "right", f / 120.0, 0.0, 0.0, f) for f in touchdown_frames)
    return Side(
        path,
        replace(track, clip=clip, xy_px=xy, quality=quality),
        replace(builders.analysis(), events=events),
        path.stem,
    )


def test_both_clips_show_the_frame_of_their_own_landing_at_the_same_moment(tmp_path: Path) -> None:
    """The block's place in the picture tells which frame of the clip is shown."""
    landings = ([10, 13, 16], [9, 14, 18])
    sides = [_side(tmp_path / f"{i}.mp4", frames, 24) for i, frames in enumerate(landings)]
    cycles = write_pair_video(sides[0], sides[1], tmp_path / "pair.mp4")
    assert cycles == 2
    steps = round(SHOWN_CYCLE_S * RATE_HZ)
    with av.open(str(tmp_path / "pair.mp4")) as box:
        pictures = [f.to_ndarray(format="rgb24") for f in box.decode(video=0)]
    assert len(pictures) == cycles * steps + 1
    # The picture is 180 px of the clip wide, from x = 70, shown twice as large; the block is 60..120 px down.
    for k, frames in enumerate(landings):
        for cycle, frame in enumerate(frames):
            row = pictures[cycle * steps][
                HEAD_PX + 180, k * (WIDTH_PX + 4) : k * (WIDTH_PX + 4) + WIDTH_PX, 0
            ]
            bright = np.flatnonzero(row > 150)
            assert len(bright)
            shown = (bright[0] / 2.0 + 70.0) / 10.0
            assert shown == pytest.approx(frame, abs=0.5)


def test_a_clip_without_a_whole_cycle_is_one_sentence(tmp_path: Path) -> None:
    sides = [_side(tmp_path / f"{i}.mp4", frames, 24) for i, frames in enumerate(([10], [9, 14, 18]))]
    with pytest.raises(LanesideError, match="no whole gait cycle"):
        write_pair_video(sides[0], sides[1], tmp_path / "pair.mp4")
    assert not (tmp_path / "pair.mp4").exists()
