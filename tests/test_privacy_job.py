"""The whole job where nothing can leave the machine, on a clip that says too much."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import socket
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from sample_clips.truth import load_truth
from shared import landmarks as lm
from shared.progress import Progress, silent
from shared.track_file import read_track
from vision.clip import frames
from vision.clip_probe import probe
from vision.head import cover_mask, head_cover

ROOT = Path(__file__).resolve().parents[1]
CLIPS = ROOT / "sample_clips" / "clips"
NAME = "track_side_120"
SECRETS = ("+48.8577+002.295", "Secret Phone", "Erika Mustermann", "2026-04-01")
TAGS = {
    "location": f"{SECRETS[0]}/",
    "com.apple.quicktime.location.ISO6709": f"{SECRETS[0]}/",
    "make": SECRETS[1],
    "model": SECRETS[1],
    "artist": SECRETS[2],
    "comment": SECRETS[2],
    "creation_time": f"{SECRETS[3]}T08:09:10Z",
}

pytestmark = pytest.mark.xdist_group("privacy job")  # one job for all of them

WATCH = """
import json, os, sys
def watch(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg", "socket.getaddrinfo",
                 "socket.gethostbyname", "urllib.Request", "subprocess.Popen", "os.system"):
        line = json.dumps([event, repr(args[1:] or args)]) + "\\n"
        os.write(watched, line.encode())
if "LANESIDE_TEST_WATCH" in os.environ:
    watched = os.open(os.environ["LANESIDE_TEST_WATCH"], os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    sys.addaudithook(watch)
"""
"""A watcher inside Python. It stands in a file that every Python of the job, children too, reads at its start."""

WATCHED = """
import json, os, sys
def all_seen():
    with open(os.environ["LANESIDE_TEST_WATCH"]) as file:
        return [json.loads(line) for line in file]
def no_routes():
    rows = [r.split() for r in open("/proc/net/snmp")]
    names, values = [r for r in rows if r[0] == "Ip:"]
    return int(values[names.index("OutNoRoutes")])
"""
"""What the watch has seen, and the kernel's count of packets that found no way out, which also sees what
native code tries."""

JOB = (
    WATCHED
    + """
from ui.cli import main
code = main(["measure", sys.argv[1], "--out", sys.argv[2], "--stature", "1.75", "--minor", "--effort", "quick"])
json.dump({"code": code, "seen": all_seen(), "no_routes": no_routes()}, open(sys.argv[3], "w"))
"""
)

CONTROL = (
    WATCHED
    + """
from tests.test_privacy_job import calls_out
from ui.apart import in_child
in_child(calls_out, what="the control")
json.dump({"code": 0, "seen": all_seen(), "no_routes": no_routes()}, open(sys.argv[3], "w"))
"""
)


def calls_out(progress: Progress = silent) -> None:
    """What must be seen: a packet to somewhere (an address that stands in documentation only, RFC 5737)."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s, contextlib.suppress(OSError):
        s.sendto(b"x", ("192.0.2.1", 9))


def _without_a_network() -> list[str]:
    """The command in front that takes every network away; skip where that is not permitted."""
    for front in (["unshare", "-n"], ["unshare", "-r", "-n"]):
        try:
            if subprocess.run([*front, "true"], capture_output=True).returncode == 0:
                return front
        except FileNotFoundError:
            break
    pytest.skip("a network namespace can't be made here (needs unshare and the right to use it)")


def _run(program: str, *arguments: object) -> None:
    command = [*_without_a_network(), sys.executable, "-c", program, *map(str, arguments)]
    with tempfile.TemporaryDirectory() as room:
        (Path(room) / "sitecustomize.py").write_text(WATCH)
        environment = os.environ | {"PYTHONPATH": room, "LANESIDE_TEST_WATCH": f"{room}/seen"}
        done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-2000:]


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sample clip, not encoded anew, with place, device, name and date in it."""
    path = tmp_path_factory.mktemp("clip") / "said too much.mov"
    with (
        av.open(str(CLIPS / f"{NAME}.mp4")) as source,
        av.open(str(path), "w", options={"movflags": "use_metadata_tags"}) as target,
    ):
        target.metadata.update(TAGS)
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    return path


@pytest.fixture(scope="module")
def told_and_out(clip: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, object], Path]:
    folder = tmp_path_factory.mktemp("job")
    _run(JOB, clip, folder / "out", folder / "told.json")
    return json.loads((folder / "told.json").read_text()), folder / "out"


@pytest.mark.slow
def test_the_source_holds_what_must_not_come_out(clip: Path) -> None:
    held = clip.read_bytes()
    for secret in SECRETS[:3]:
        assert secret.encode() in held


def test_the_watch_sees_what_it_must_see(tmp_path: Path) -> None:
    """Else the next test could not fail."""
    _run(CONTROL, "", "", tmp_path / "told.json")
    told = json.loads((tmp_path / "told.json").read_text())
    events = [e for e, _ in told["seen"]]
    assert [e for e in events if e != "subprocess.Popen"] == ["socket.sendto"], "seen in the child"
    assert told["no_routes"] >= 1


@pytest.mark.slow
def test_the_whole_job_works_without_a_network_and_asks_for_none(
    told_and_out: tuple[dict[str, object], Path],
) -> None:
    told, out = told_and_out
    assert told["code"] == 0
    seen = told["seen"]
    assert isinstance(seen, list)
    started = [what for event, what in seen if event in ("subprocess.Popen", "os.system")]
    assert [event for event, _ in seen if event not in ("subprocess.Popen", "os.system")] == []
    # The child that works on the clip; and in it a library asks what processor this is.
    own = [what for what in started if "ui.apart_child" in what]
    assert len(own) == 1
    assert all("lscpu" in what for what in started if what not in own), started
    assert told["no_routes"] == 0
    assert (out / "analysis.json").is_file() and (out / "annotated.mp4").is_file()


@pytest.mark.slow
def test_no_file_names_place_device_person_or_date_of_the_clip(
    told_and_out: tuple[dict[str, object], Path],
) -> None:
    _, out = told_and_out
    files = [p for p in out.rglob("*") if p.is_file()]
    assert len(files) > 8
    for file in files:
        data = file.read_bytes()
        for secret in SECRETS:
            assert secret.encode() not in data, (file.name, secret)


@pytest.mark.slow
def test_no_file_names_the_folder_that_the_clip_lies_in(
    clip: Path, told_and_out: tuple[dict[str, object], Path]
) -> None:
    _, out = told_and_out
    folder = clip.parent.name.encode()
    for file in (p for p in out.rglob("*") if p.is_file()):
        assert folder not in file.read_bytes(), file.name
    with zipfile.ZipFile(out / "track.npz") as packed:
        for member in packed.namelist():
            data = packed.read(member)
            assert folder not in data and folder.decode().encode("utf-32-le") not in data, member


@pytest.mark.slow
def test_pictures_and_video_carry_no_metadata(told_and_out: tuple[dict[str, object], Path]) -> None:
    _, out = told_and_out
    pictures = list((out / "pictures").glob("*.jpg"))
    assert pictures
    for path in pictures:
        with Image.open(path) as picture:
            assert not picture.getexif()
            assert set(picture.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density", "dpi"}
    with av.open(str(out / "annotated.mp4")) as video:
        assert set(video.metadata) <= {"major_brand", "minor_version", "compatible_brands"}
        (stream,) = video.streams
        assert set(stream.metadata) <= {"language", "handler_name", "vendor_id"}


@pytest.mark.slow
def test_the_original_is_not_copied(clip: Path, told_and_out: tuple[dict[str, object], Path]) -> None:
    _, out = told_and_out
    original = hashlib.sha256(clip.read_bytes()).hexdigest()
    some = clip.read_bytes()[clip.stat().st_size // 2 :][:64]
    for file in (p for p in out.rglob("*") if p.is_file()):
        data = file.read_bytes()
        assert hashlib.sha256(data).hexdigest() != original
        assert some not in data


def _fine(picture: NDArray[np.uint8]) -> NDArray[np.float64]:
    """What is left of a picture without its coarse parts."""
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(np.float64)
    return np.asarray(grey - cv2.GaussianBlur(grey, (0, 0), 4.0))


@pytest.mark.slow
def test_the_written_video_shows_no_face(told_and_out: tuple[dict[str, object], Path]) -> None:
    """In every picture the true head (of the truth file) is covered, and what is written there tells
    nothing of the fine detail of the original, while the body below is unchanged but for the drawing."""
    _, out = told_and_out
    truth = load_truth(CLIPS / f"{NAME}.truth.npz")
    who, factor = truth.athlete, 720 / truth.height
    cover = head_cover(read_track(out / "track.npz"))
    original = probe(CLIPS / f"{NAME}.mp4")
    written = probe(out / "annotated.mp4")
    document = json.loads((out / "analysis.json").read_text())
    assert document["athlete"]["face"] == "hidden"
    step = -(-original.frames // written.frames)
    head_alike, body_alike = [], []
    pairs = zip(frames(original, step=step, max_height=720), frames(written))
    for source, shown in pairs:
        i = source.index
        assert shown.rgb.shape == source.rgb.shape
        ears = who.px[i, [lm.INDEX["left_ear"], lm.INDEX["right_ear"]]].mean(axis=0) * factor
        radius = 0.125 / who.metres_per_px[i] * factor
        height, width = source.rgb.shape[:2]
        if not (radius < ears[0] < width - radius):
            continue
        head = np.zeros((height, width), np.uint8)
        cv2.circle(head, (round(ears[0]), round(ears[1])), round(radius), (1,), -1)
        mask = cover_mask(cover, i, height, width, factor)
        assert (head & mask).sum() >= 0.95 * head.sum(), i
        a, b = _fine(source.rgb), _fine(shown.rgb)
        inner = head.astype(bool)
        head_alike.append(np.corrcoef(a[inner], b[inner])[0, 1])
        away = ~cv2.dilate(mask, np.ones((31, 31), np.uint8)).astype(bool)
        body_alike.append(np.corrcoef(a[away], b[away])[0, 1])
    assert len(head_alike) > 50
    assert np.median(body_alike) > 0.6
    assert np.median(head_alike) < 0.5, np.median(head_alike)
