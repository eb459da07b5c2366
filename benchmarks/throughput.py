"""Frames per second of `laneside measure` beside a plain decode-and-pose loop on the same clip.

The plain loop decodes to RGB and runs the pose library as it comes (complexity 1, tracking, no
smoothing); it chooses nobody, measures nothing and writes nothing. Both run as processes of their
own, one after the other, in turns, so that whatever else the machine does meets both alike.

    python -m benchmarks.throughput sample_clips/clips/treadmill_120.mp4 --times 1 4 16 --rounds 2
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np

WAYS: dict[str, tuple[str, ...]] = {
    "standard": (),
    "standard, no video": ("--no-video",),
    "quick": ("--effort", "quick"),
    "high": ("--effort", "high"),
}


@dataclass(frozen=True)
class Cost:
    """One process: seconds on the clock, of processor time, and peak memory."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    said: str


def cost(command: list[str]) -> Cost:
    """Run a command to its end."""
    # Compiled modules are kept, as they are for everybody who runs the program twice.
    usual = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    begin = time.perf_counter()
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as wrong:
        process = subprocess.Popen(command, stdout=out, stderr=wrong, env=usual)
        _, status, used = os.wait4(process.pid, 0)
        wall = time.perf_counter() - begin
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        said = out.read()
        wrong.seek(0)
        why = wrong.read()[-300:]
    if process.returncode:
        raise SystemExit(f"{' '.join(command)} failed ({process.returncode}): {why}")
    return Cost(wall, used.ru_utime + used.ru_stime, used.ru_maxrss / 1024, said)


def measure_command(clip: Path, out: str, *options: str) -> list[str]:
    """The command that measures a clip anew."""
    return [sys.executable, "-m", "ui.cli", "measure", str(clip), "--out", out, "--no-cache", *options]


def repeated(clip: Path, times: int, path: Path) -> Path:
    """A clip played `times` times over, its pictures copied without coding them again."""
    with av.open(str(path), "w") as write:
        with av.open(str(clip)) as read:
            stream = write.add_stream_from_template(read.streams.video[0])
        shift = 0
        for _ in range(times):
            with av.open(str(clip)) as read:
                packets = [p for p in read.demux(video=0) if p.pts is not None]
            shown = sorted(int(p.pts) for p in packets)
            for packet in packets:
                packet.pts, packet.dts = int(packet.pts) + shift, int(packet.dts) + shift
                packet.stream = stream
                write.mux(packet)
            shift += shown[-1] - shown[0] + shown[1] - shown[0]
    return path


def plain_loop(clip: str) -> None:
    """The loop to compare with; prints frames, how many held a person, and its own seconds."""
    from mediapipe.python.solutions.pose import Pose

    begin, frames, found = time.perf_counter(), 0, 0
    with Pose(model_complexity=1, smooth_landmarks=False) as pose, av.open(clip) as container:
        for picture in container.decode(video=0):
            found += pose.process(picture.to_ndarray(format="rgb24")).pose_landmarks is not None
            frames += 1
    print(frames, found, time.perf_counter() - begin)


def compared(clip: Path, ways: list[str], rounds: int) -> None:
    """Print a row for the plain loop and one for each way, medians over the rounds."""
    plain: list[Cost] = []
    ours: dict[str, list[Cost]] = {way: [] for way in ways}
    for _ in range(rounds):
        plain.append(cost([sys.executable, "-m", "benchmarks.throughput", "--plain", str(clip)]))
        for way in ways:
            with tempfile.TemporaryDirectory() as out:
                ours[way].append(cost(measure_command(clip, out, *WAYS[way])))
    frames, found, _ = plain[0].said.split()
    loop_s = float(np.median([float(c.said.split()[2]) for c in plain]))
    whole_s = float(np.median([c.wall_s for c in plain]))
    cpu = float(np.median([c.cpu_s for c in plain]))
    n = int(frames)
    print(
        f"| {clip.stem} | {n} | plain loop, found {found} | {n / whole_s:.1f} | {n / loop_s:.1f} | 1.00 "
        f"| 1.00 | {1e3 * cpu / n:.1f} | {max(c.peak_mb for c in plain):.0f} |"
    )
    for way, costs in ours.items():
        wall = float(np.median([c.wall_s for c in costs]))
        ratios = [p.wall_s / c.wall_s for p, c in zip(plain, costs, strict=True)]
        loops = [float(p.said.split()[2]) / c.wall_s for p, c in zip(plain, costs, strict=True)]
        cpu = float(np.median([c.cpu_s for c in costs]))
        print(
            f"| {clip.stem} | {n} | {way} | {n / wall:.1f} | | {np.median(ratios):.2f} "
            f"| {np.median(loops):.2f} | {1e3 * cpu / n:.1f} | {max(c.peak_mb for c in costs):.0f} |",
            flush=True,
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("clips", nargs="+")
    parser.add_argument("--plain", action="store_true", help="run the plain loop itself")
    parser.add_argument("--times", type=int, nargs="*", default=[1])
    parser.add_argument("--ways", nargs="*", choices=list(WAYS), default=["standard"])
    parser.add_argument("--rounds", type=int, default=3)
    args = parser.parse_args()
    if args.plain:
        plain_loop(args.clips[0])
        return
    print(
        "| clip | frames | way | frames/s, whole process | frames/s, loop alone "
        "| to the plain process | to the plain loop alone | processor ms a frame | peak MB |"
    )
    print("|" + "---|" * 9)
    with tempfile.TemporaryDirectory() as folder:
        for clip in map(Path, args.clips):
            for times in args.times:
                longer = clip
                if times > 1:
                    longer = repeated(clip, times, Path(folder) / f"{clip.stem}_x{times}.mp4")
                compared(longer, args.ways, args.rounds)


if __name__ == "__main__":
    main()
