"""A stored result for tests of the page: tiny, invented, whole."""

from __future__ import annotations

import io
import json
import time
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from PIL import Image

from shared.analysis_json import write_analysis
from shared.track_file import write_track
from tests import builders
from ui.job import ANALYSIS_NAME, TRACK_NAME
from ui.screens import store
from ui.screens.first_look import NAME


def tiny_clip(frames: int = 12, width: int = 320, height: int = 240, *, noise: bool = False) -> bytes:
    """An MP4 of a moving grey block, or of coarse noise."""
    rng = np.random.default_rng(0)
    out = io.BytesIO()
    with av.open(out, "w", format="mp4") as box:
        stream = box.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
        stream.time_base = Fraction(1, 90_000)
        for i in range(frames):
            rgb = np.full((height, width, 3), 90, dtype=np.uint8)
            rgb[60:120, 10 * i : 10 * i + 40] = 200
            if noise:
                grain = rng.integers(0, 255, (-(-height // 6), -(-width // 6), 3), dtype=np.uint8)
                rgb = np.ascontiguousarray(grain.repeat(6, axis=0).repeat(6, axis=1)[:height, :width])
            frame = av.VideoFrame.from_ndarray(rgb, format="rgb24")
            frame.pts, frame.time_base = i * 3000, Fraction(1, 90_000)
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))
    return out.getvalue()


def shorten(source: Path, path: Path, *, seconds: float, height: int, rate_hz: float) -> None:
    """Write the first seconds of a clip, scaled down and at no more than `rate_hz` pictures a second."""
    with av.open(str(source)) as old, av.open(str(path), "w") as new:
        picture = old.streams.video[0]
        stream = new.add_stream("libx264", rate=round(rate_hz))
        stream.width = 2 * round(picture.width * height / picture.height / 2)
        stream.height, stream.pix_fmt = height, "yuv420p"
        stream.time_base = Fraction(1, 90_000)
        first, last = None, -1.0
        for frame in old.decode(picture):
            first = frame.time if first is None else first
            now = frame.time - first
            if now > seconds:
                break
            if now - last < 0.9 / rate_hz:
                continue
            last = now
            small = frame.reformat(width=stream.width, height=height, format="yuv420p", interpolation="AREA")
            small.pts, small.time_base = round(now * 90_000), Fraction(1, 90_000)
            new.mux(stream.encode(small))
        new.mux(stream.encode(None))


def _unseen_job(owner: str, name: str, clip: bytes) -> store.Job:
    """A job whose record is not written yet.

    It must come last, with its final state: a server on the same data folder would take the first look at a
    job that is half made, and then ask about it instead of showing its result.
    """
    job = store.Job(store.new_key(), owner, store.safe_name(name), created=time.time())
    path = store.clip_path(job)
    path.parent.mkdir(parents=True)
    path.write_bytes(clip)
    return job


def stored_job(
    owner: str, state: store.State = "done", name: str = "invented.mp4", clip: bytes | None = None
) -> store.Job:
    """A job with its clip, and with a result when it is done."""
    job = _unseen_job(owner, name, clip or tiny_clip())
    if state == "done":
        folder = store.result_folder(job)
        (folder / "pictures").mkdir(parents=True)
        Image.new("RGB", (80, 100), "#888888").save(folder / "pictures" / "cue_1.jpg")
        write_analysis(builders.analysis(), folder / ANALYSIS_NAME)
        write_track(builders.track(), folder / TRACK_NAME)
        (folder / "report.html").write_text("<p>Invented</p>", encoding="utf-8")
    if state == "ready":
        stored_first_look(job)
    return store.change(job, state=state)


def true_job(owner: str) -> store.Job:
    """A finished job with exact landmarks of an invented runner (and a picture of something else)."""
    from sample_clips.runner import runner_at
    from sample_clips.spec import ClipSpec
    from sample_clips.track import track_from_truth
    from sample_clips.truth import truth
    from ui.job import analyse_track
    from ui.options import Options

    known = truth(ClipSpec((runner_at(4.0),), capture_rate_hz=60, duration_s=2.4))
    track = track_from_truth(known, noise_px=0.5, seed=1)
    clip = tiny_clip(len(track.frame), track.clip.width, track.clip.height)
    options = Options(profile="fast-run", stature_m=1.75)
    job = _unseen_job(owner, "invented.mp4", clip)
    folder = store.result_folder(job)
    folder.mkdir()
    write_analysis(analyse_track(track, options), folder / ANALYSIS_NAME)
    write_track(track, folder / TRACK_NAME)
    return store.change(job, state="done", options=options)


def stored_first_look(job: store.Job, people: int = 2) -> None:
    """What a first look leaves behind, for a clip of 320 x 240."""
    folder = store.job_folder(job.key) / store.FIRST_LOOK
    folder.mkdir(exist_ok=True)
    Image.new("RGB", (320, 240), "#777777").save(folder / "6.jpg")
    Image.new("RGB", (320, 240), "#777777").save(folder / "first.jpg")
    seen = [{"x_px": 80.0 + 120 * i, "y_px": 120.0, "radius_px": 40.0} for i in range(people)]
    record = {
        "width": 320,
        "height": 240,
        "frames": 12,
        "duration_s": 0.4,
        "capture_rate_hz": 30.0,
        "container_rate_hz": 30.0,
        "time_base": "file",
        "findings": [["bad", "The clip has 30 pictures a second: posture only."]],
        "previews": [{"file": "6.jpg", "frame": 6, "time_s": 0.2, "people": seen}],
    }
    (folder / NAME).write_text(json.dumps(record), encoding="utf-8")


def page_file() -> Path:
    """The script that the page's server runs."""
    return Path(__file__).parents[1] / "ui" / "page.py"
