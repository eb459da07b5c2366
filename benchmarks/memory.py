"""Peak memory of `laneside measure` over clip length, and on a large picture.

Frames are streamed, so the peak must not grow with the length of a clip. Longer clips are made by
playing one over and over; a large one by enlarging it.

    python -m benchmarks.memory sample_clips/clips/treadmill_120.mp4 --times 1 4
    python -m benchmarks.memory sample_clips/clips/treadmill_120.mp4 --height 2160 --seconds 60 --rate 60
"""

from __future__ import annotations

import argparse
import tempfile
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from benchmarks.throughput import cost, measure_command, repeated


def enlarged(clip: Path, height: int, seconds: float, rate: int, path: Path) -> Path:
    """The clip played as often as needed, one picture in two, enlarged, `rate` pictures a second.

    The first pass over the clip is coded; the rest of the length repeats its coded pictures.
    """
    once = path.with_name(f"once_{path.name}")
    with av.open(str(clip)) as read, av.open(str(once), "w") as write:
        source = read.streams.video[0]
        width = round(height * source.width / source.height / 2) * 2
        stream: Any = write.add_stream("libx264", rate=rate, options={"preset": "ultrafast", "crf": "26"})
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = Fraction(1, rate * 1000)
        kept = 0
        for index, picture in enumerate(read.decode(source)):
            if index % 2:
                continue
            large = picture.reformat(width=width, height=height, format="yuv420p")
            large.pts, large.time_base = kept * 1000, Fraction(1, rate * 1000)
            kept += 1
            write.mux(stream.encode(large))
        write.mux(stream.encode(None))
    times = max(1, round(seconds * rate / kept))
    return repeated(once, times, path)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("clip", type=Path)
    parser.add_argument("--times", type=int, nargs="*", default=[1, 4])
    parser.add_argument("--height", type=int, help="enlarge to this height, px")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--rate", type=int, default=60)
    parser.add_argument("--options", nargs="*", default=[])
    args = parser.parse_args()
    print("| clip | picture | frames | peak MB | processor ms a frame |\n|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        made: list[Path] = []
        if args.height:
            parts = [args.seconds * share for share in (0.25, 1.0)]
            made = [
                enlarged(args.clip, args.height, s, args.rate, folder / f"large_{round(s)}s.mp4")
                for s in parts
            ]
        else:
            made = [
                args.clip if t == 1 else repeated(args.clip, t, folder / f"{args.clip.stem}_x{t}.mp4")
                for t in args.times
            ]
        for clip in made:
            with av.open(str(clip)) as read:
                stream = read.streams.video[0]
                picture, frames = f"{stream.width} x {stream.height}", stream.frames
            used = cost(measure_command(clip, str(folder / "out"), *args.options))
            print(
                f"| {clip.stem} | {picture} | {frames} | {used.peak_mb:.0f} | {1e3 * used.cpu_s / frames:.1f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
