"""Render the committed clips: ``python -m sample_clips.make [--list] [--again] [NAME ...]``."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from sample_clips.clip import render_clip, truth_path
from sample_clips.clips import clips

FOLDER = Path(__file__).parent / "clips"


def _say(name: str, done: int, total: int | None) -> None:
    if total and (done == total or done % 20 == 0):
        end = "\n" if done == total else ""
        print(f"\r{name}: frame {done} of {total}", end=end, flush=True)


def main(arguments: list[str] | None = None) -> int:
    """Render what is missing, or the named clips; returns the exit code."""
    parser = argparse.ArgumentParser(prog="python -m sample_clips.make", description=__doc__)
    parser.add_argument("names", nargs="*", help="clips to render; all by default")
    parser.add_argument("--list", action="store_true", help="say what there is and stop")
    parser.add_argument("--again", action="store_true", help="render even where the file is there")
    parser.add_argument("--out", type=Path, default=FOLDER, help="folder to write to")
    options = parser.parse_args(arguments)
    known = clips()
    unknown = [n for n in options.names if n not in known]
    if unknown:
        print(f"{unknown[0]}: no such clip; see --list.", file=sys.stderr)
        return 8
    for name in options.names or known:
        spec = known[name]
        path = options.out / f"{name}.mp4"
        there = path.exists() and truth_path(path).exists()
        if options.list:
            mark = "made" if there else "not made"
            print(f"{name:24s} {spec.frames:4d} frames at {spec.capture_rate_hz:g}/s  {mark}  {spec.note}")
        elif there and not options.again:
            print(f"{name}: already there")
        else:
            render_clip(spec, path, lambda _stage, done, total, name=name: _say(name, done, total))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
