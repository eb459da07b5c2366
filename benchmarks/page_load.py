"""Twenty users of one page at once: whose result is whose, in which order, and how much memory it takes.

``python -m benchmarks.page_load [--users 20] [--padding-mb 60] [--stand-in]`` serves the page, opens as many visits in
Chromium, and lets all of them upload a clip of their own under the same file name, measure it and look at
the result at the same time. Each clip is a short part of an invented runner, padded to the size of a
phone's; no two have the same content. It checks by content that every visit ends at its own result, and
prints the peak of memory of the server and of its children (resident, Linux), and the order of service.
``--stand-in`` leaves out what takes long, the looking and measuring in the children.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import statistics
import struct
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from benchmarks.page import CHROMIUM, ROOT, serve
from shared.analysis import Analysis
from shared.analysis_json import write_analysis
from shared.files import file_sha256
from shared.progress import Progress, silent
from shared.track_file import write_track
from tests import builders
from tests.page_helpers import shorten, stored_first_look
from ui.options import Options

CLIP = ROOT / "sample_clips" / "clips" / "treadmill_120.mp4"
NAME = "IMG_0001.mp4"
WAIT_MS = 3_600_000
FRAMES_HZ = 60.0


def stand_in_look(clip: Path, folder: Path, rate_hz: float | None, progress: Progress = silent) -> None:
    """In the place of a first look: what one leaves behind, for an invented clip."""
    from ui.screens import store

    job = store.read_job(folder.parent.name)
    if job is not None:
        stored_first_look(job)
    progress("looking at the clip", 1, 1)


def stand_in_fill(
    clip: Path, folder: Path, options: Options, threads: int | None = None, progress: Progress = silent
) -> Analysis:
    """In the place of a measurement: an invented result that carries the clip's true content."""
    progress("following the athlete", 1, 2)
    analysis = builders.analysis()
    analysis = replace(analysis, clip=replace(analysis.clip, path=clip.name, sha256=file_sha256(clip)))
    write_analysis(analysis, folder / "analysis.json")
    write_track(builders.track(), folder / "track.npz")
    (folder / "report.html").write_text("<p>Invented</p>", encoding="utf-8")
    return analysis


def serve_stand_in(arguments: list[str]) -> int:
    """The page's server with both of them in place."""
    import benchmarks.page_load as named  # what children can import
    from ui import job, page_server
    from ui.screens import first_look

    job.fill_folder = named.stand_in_fill
    first_look.write_first_look = named.stand_in_look
    return page_server.main(arguments)


def clips(folder: Path, users: int, padding_mb: int, seconds: float) -> list[Path]:
    """One clip for each user: the same run, and a free box (ISO/IEC 14496-12, 8.1.2) of other content."""
    short = folder / "short.mp4"
    shorten(CLIP, short, seconds=seconds, height=360, rate_hz=FRAMES_HZ)
    data = short.read_bytes()
    made = []
    for user in range(users):
        box = struct.pack(">I4s", 8 + (padding_mb << 20), b"free") + bytes([user]) * (padding_mb << 20)
        path = folder / f"user-{user}" / NAME
        path.parent.mkdir()
        path.write_bytes(data + box)
        made.append(path)
    return made


class Memory:
    """Peaks of resident memory of a process and of its children, MB, looked at five times a second."""

    def __init__(self, process: int) -> None:
        self.process = process
        self.server_mb = self.children_mb = self.most_children = 0
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)
        self._thread.start()

    def _watch(self) -> None:
        while not self._stop.wait(0.2):
            children = [_resident_mb(child) for child in _children(self.process)]
            self.server_mb = max(self.server_mb, _resident_mb(self.process))
            self.children_mb = max(self.children_mb, sum(children))
            self.most_children = max(self.most_children, len(children))

    def stop(self) -> None:
        """Look no more."""
        self._stop.set()
        self._thread.join()


def _children(process: int) -> set[int]:
    try:
        tasks = list(Path(f"/proc/{process}/task").iterdir())
        return {int(n) for task in tasks for n in (task / "children").read_text().split()}
    except OSError:
        return set()


def _resident_mb(process: int) -> int:
    try:
        lines = Path(f"/proc/{process}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) // 1024 for line in lines if line.startswith("VmRSS")), 0)


def _processor_s(process: int) -> float:
    """Processor seconds of a process and of its children that have ended (proc(5), fields 14 to 17)."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return sum(map(int, fields[11:15])) / os.sysconf("SC_CLK_TCK")


async def visit(browser: Any, url: str, clip: Path, begin: asyncio.Barrier) -> tuple[str, float]:
    """One user's whole visit; the key of the result it ends at, and when it was shown, s."""
    context = await browser.new_context(viewport={"width": 1000, "height": 800})
    context.set_default_timeout(WAIT_MS)
    page = await context.new_page()
    await page.goto(url)
    chooser = page.locator("input[type=file]")
    await chooser.wait_for(state="attached")
    await begin.wait()
    await chooser.set_input_files(str(clip))
    press = page.get_by_role("button", name="Measure this clip", exact=True)
    await press.wait_for()
    await page.wait_for_load_state("networkidle")
    shown_result = page.get_by_role("heading", name="What to work on", exact=True)
    pressed = page.get_by_role("button", name="Stop measuring", exact=True).or_(shown_result)
    for _ in range(10):  # a press while the page is still being put together is lost
        await press.click()
        try:
            await pressed.first.wait_for(timeout=60_000)
            break
        except Exception as error:
            if "Timeout" not in type(error).__name__:
                raise
    await shown_result.wait_for()
    shown = time.monotonic()
    key = str(await page.evaluate("new URLSearchParams(location.search).get('clip')"))
    await context.close()
    return key, shown


async def all_visits(url: str, files: list[Path]) -> list[tuple[str, float]]:
    """All users at once; they upload at the same moment."""
    from playwright.async_api import async_playwright

    begin = asyncio.Barrier(len(files))
    async with async_playwright() as playwright:
        arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run"]
        browser = await playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
        try:
            return list(await asyncio.gather(*(visit(browser, url, file, begin) for file in files)))
        finally:
            await browser.close()


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.page_load", description=__doc__)
    parser.add_argument("--users", type=int, default=20)
    parser.add_argument("--padding-mb", type=int, default=60)
    parser.add_argument("--seconds", type=float, default=1.6)
    parser.add_argument("--stand-in", action="store_true", help="in the place of looking and measuring")
    said = parser.parse_args()
    from ui.screens import store

    with tempfile.TemporaryDirectory(prefix="laneside-load-") as name:
        folder = Path(name)
        os.environ[store.FOLDER_VARIABLE] = str(folder / "data")
        os.environ["LANESIDE_CACHE"] = "off"
        files = clips(folder, said.users, said.padding_mb, said.seconds)
        front = ["-m", "benchmarks.page_load", "--serve"] if said.stand_in else None
        server, url = serve(folder / "data", front)
        idle = _resident_mb(server.pid)
        memory = Memory(server.pid)
        begun = time.monotonic()
        try:
            ends = asyncio.run(all_visits(url, files))
            settled, worked = _resident_mb(server.pid), _processor_s(server.pid)
        finally:
            memory.stop()
            server.terminate()
            server.wait(timeout=60)
        own = 0
        jobs = [store.read_job(key) for key, _ in ends]
        for job, file in zip(jobs, files):
            if job is None or job.state != "done":
                continue
            document = json.loads((store.result_folder(job) / "analysis.json").read_text())
            own += document["clip"]["sha256"] == file_sha256(file)
        queued = sorted((j for j in jobs if j is not None), key=lambda j: j.queued)
        measured = sorted(queued, key=lambda j: j.measured)
        lists = len({j.owner for j in queued})
        times = [shown - begun for _, shown in ends]
    record = {
        "users": said.users,
        "stand_in": said.stand_in,
        "clip_mb": round(files[0].stat().st_size / 1e6) if files[0].exists() else said.padding_mb,
        "at_their_own_result": own,
        "lists": lists,
        "served_in_order_of_asking": [j.key for j in queued] == [j.key for j in measured],
        "server_mb": {"idle": idle, "peak": memory.server_mb, "after": settled},
        "children_mb_peak": memory.children_mb,
        "children_at_once": memory.most_children,
        "result_shown_s": {
            "first": round(min(times)),
            "median": round(statistics.median(times)),
            "last": round(max(times)),
        },
        "processor_s_of_server_and_children": round(worked),
        "load_average": os.getloadavg()[0],
    }
    name = "page_load_stand_in.json" if said.stand_in else "page_load.json"
    print(json.dumps(record, indent=1), flush=True)
    (ROOT / "benchmarks" / "results").mkdir(exist_ok=True)
    (ROOT / "benchmarks" / "results" / name).write_text(json.dumps(record, indent=1) + "\n")
    return 0 if own == said.users == lists else 1


if __name__ == "__main__":
    raise SystemExit(serve_stand_in(sys.argv[2:]) if sys.argv[1:2] == ["--serve"] else main())
