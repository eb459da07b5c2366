"""Write the tables of docs/scale.md from the figures at its top.

Run::

    python docs/make_scale.py

Change a figure in the page's first table, run it, and every other table follows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from math import ceil
from pathlib import Path
from typing import Final

PAGE: Final = Path(__file__).resolve().parent / "scale.md"
KINDS: Final = (("3 s at 120/s", 3, 120), ("5 s at 240/s", 5, 240), ("10 s at 60/s", 10, 60))
EVENING: Final = (40, 4)
"""Athletes, and clips of each."""
EVENING_HOURS: Final = 2
CORES: Final = (2, 4, 8, 16)


@dataclass(frozen=True)
class Figures:
    """The figures of the first table, in its order.

    Attributes
    ----------
    frame_ms, clip_s : float
        Processor time of a frame; of a clip beside its frames.
    busy : float
        Share of the time that a core is busy.
    memory_mb : float
        Of one clip being measured.
    result_mb, result_frame_kb : float
        Size of a result folder: of a clip, and more for each frame.
    clip_mb_s : float
        Size of a clip for each second of filming.
    link_mb_s : float
        What the link of the shared folder carries.
    hand_ms : float
        Processor time of scheduler and program for handing out one clip.
    """

    frame_ms: float
    clip_s: float
    busy: float
    memory_mb: float
    result_mb: float
    result_frame_kb: float
    clip_mb_s: float
    link_mb_s: float
    hand_ms: float

    def processor_s(self, frames: int) -> float:
        """Processor seconds of one clip."""
        return self.clip_s + frames * self.frame_ms / 1000

    def clock_s(self, frames: int, cores: int = 1) -> float:
        """Seconds on the clock for one clip, all `cores` at work on it."""
        return self.processor_s(frames) / (cores * self.busy)

    def result_size_mb(self, frames: int) -> float:
        """MB of one result folder, with the annotated video."""
        return self.result_mb + frames * self.result_frame_kb / 1000

    def moved_mb(self, seconds: float, frames: int) -> float:
        """MB over the shared folder's link for one clip: read here, read by a worker, result written."""
        return 2 * seconds * self.clip_mb_s + self.result_size_mb(frames)


def figures(page: str) -> Figures:
    """The figures of the page's first table; ValueError if there are not as many as there should be."""
    rows = re.findall(r"^\| [^|]+ \| \*\*([\d.]+)\*\* \|", page, re.MULTILINE)
    if len(rows) != len(fields(Figures)):
        raise ValueError(f"{PAGE.name}: {len(rows)} figures in bold, {len(fields(Figures))} are needed")
    return Figures(*map(float, rows))


def cost_table(f: Figures) -> str:
    """Cost of 1,000 clips of three kinds."""
    rows = [
        "| 1,000 clips of | frames each | processor hours | on 4 cores, hours | clips, GB | results, GB |",
        "|---|---|---|---|---|---|",
    ]
    for name, seconds, rate in KINDS:
        n = seconds * rate
        rows.append(
            f"| {name} | {n} | {1000 * f.processor_s(n) / 3600:.1f} | {1000 * f.clock_s(n, 4) / 3600:.1f} "
            f"| {seconds * f.clip_mb_s:.0f} | {f.result_size_mb(n):.1f} |"
        )
    return "\n".join(rows)


def limits_table(f: Figures) -> str:
    """How many busy cores each thing can feed, clips of 5 s at 240/s."""
    _, seconds, rate = KINDS[1]
    n = seconds * rate
    each = f.clock_s(n)
    rows = [
        ("memory, a machine of 8 GB with 2 GB for the rest", 6000 / f.memory_mb, "cores in that machine"),
        ("shared folder by radio (20 MB/s)", 20 * each / f.moved_mb(seconds, n), "cores in all"),
        (
            f"shared folder by cable ({f.link_mb_s:.0f} MB/s)",
            f.link_mb_s * each / f.moved_mb(seconds, n),
            "cores in all",
        ),
        (
            "the program that hands out, reading each clip once by that cable",
            f.link_mb_s * each / (seconds * f.clip_mb_s),
            "cores in all",
        ),
        ("scheduler and program: processor", 1000 * each / f.hand_ms, "cores in all"),
    ]
    lines = [f"| {what} | {count:,.0f} | {where} |" for what, count, where in rows]
    return "\n".join(["| what | feeds at most | |", "|---|---|---|", *lines])


def evening_table(f: Figures) -> str:
    """A club evening on machines of several sizes."""
    athletes, each = EVENING
    _, seconds, rate = KINDS[1]
    n, clips = seconds * rate, athletes * each
    rows = [
        "| cores in all | the evening's clips, minutes | busy over the evening |",
        "|---|---|---|",
    ]
    for cores in CORES:
        whole = clips * f.clock_s(n, cores)
        rows.append(f"| {cores} | {whole / 60:.0f} | {whole / (3600 * EVENING_HOURS):.0%} |")
    return "\n".join(rows)


def large_table(f: Figures) -> str:
    """From a hundred to a hundred thousand clips of 5 s at 240/s."""
    _, seconds, rate = KINDS[1]
    n = seconds * rate
    rows = [
        "| clips | processor hours | cores for one night (10 h) | clips, GB | results, GB | read again at a restart, hours |",
        "|---|---|---|---|---|---|",
    ]
    for count in (100, 1_000, 10_000, 100_000):
        rows.append(
            f"| {count:,} | {count * f.processor_s(n) / 3600:,.0f} | {ceil(count * f.clock_s(n) / 36000):,} "
            f"| {count * seconds * f.clip_mb_s / 1000:,.0f} | {count * f.result_size_mb(n) / 1000:,.1f} "
            f"| {count * seconds * f.clip_mb_s / f.link_mb_s / 3600:,.1f} |"
        )
    return "\n".join(rows)


TABLES: Final = {"cost": cost_table, "limits": limits_table, "evening": evening_table, "large": large_table}


def renewed(page: str) -> str:
    """The page with its tables made anew."""
    given = figures(page)
    for name, table in TABLES.items():
        begin, end = f"<!-- {name} -->\n", f"<!-- end of {name} -->"
        before, found, rest = page.partition(begin)
        _, closed, after = rest.partition(end)
        if not found or not closed:
            raise ValueError(f"{PAGE.name}: the marks of the table '{name}' are missing")
        page = f"{before}{begin}{table(given)}\n{end}{after}"
    return page


if __name__ == "__main__":
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    print(f"{PAGE.name}: {len(TABLES)} tables")
