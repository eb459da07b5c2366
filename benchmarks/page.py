"""How quickly a stored result is shown, and a curve click shows its frame.

``python -m benchmarks.page [--runs 5] [--clicks 12]`` serves the page with a result made from the
truth of a committed sample clip (no pose is run), drives it with Chromium and prints medians and
worst cases. The times are taken inside the browser: from the start of the navigation to the first
frame in which the headline and the first cue or statement stand, and from the click to the new
picture.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import socket
import statistics
import subprocess
import tempfile
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
CLIP = ROOT / "sample_clips" / "clips" / "track_side_120.mp4"
CHROMIUM = "/usr/bin/chromium"
FIRST_PAINT_S, CLICK_S = 1.5, 0.2
"""What we hold ourselves to."""

WATCH_FIRST = """
window.firstUseful = null;
new MutationObserver(() => {
  if (window.firstUseful !== null) return;
  const head = [...document.querySelectorAll('h1')].some(h => h.innerText === 'What to work on');
  if (head && document.querySelector('.ls article.cue, .ls p.lead')) window.firstUseful = performance.now();
}).observe(document, { childList: true, subtree: true });
"""
WATCH_CLICK = """
() => {
  const caption = () => [...document.querySelectorAll('figure figcaption')].map(e => e.innerText)
    .filter(t => t.startsWith('frame ')).pop();
  const before = caption();
  window.clicked = null; window.shown = null;
  document.addEventListener('mousedown', () => { window.clicked = performance.now(); }, { capture: true, once: true });
  const watch = new MutationObserver(() => {
    if (window.shown === null && caption() !== before) { window.shown = performance.now(); watch.disconnect(); }
  });
  watch.observe(document.body, { childList: true, subtree: true, characterData: true, attributes: true });
}
"""


def stored_result(data: Path) -> str:
    """A finished job in `data`, from the truth of a sample clip; returns its key."""
    os.environ["LANESIDE_DATA"] = str(data)
    from sample_clips.clip import truth_path
    from sample_clips.track import track_from_truth
    from sample_clips.truth import load_truth
    from ui.job import analyse_track, staged_folder, write_results
    from ui.options import Options
    from ui.screens import store
    from ui.screens.work import keep_frames

    with CLIP.open("rb") as source:
        job = store.add_clip(source, CLIP.name, store.new_key(), invented=True)
    track = track_from_truth(load_truth(truth_path(CLIP)), noise_px=2.0, seed=0)
    options = Options(profile="fast-run", stature_m=1.75, mass_kg=68.0, video=False)
    analysis = analyse_track(track, options)
    with staged_folder(store.result_folder(job)) as stage:
        write_results(store.clip_path(job), track, analysis, stage, options)
    keep_frames(store.change(job, state="done", options=options))
    return job.key


def serve(data: Path) -> tuple[subprocess.Popen[bytes], str]:
    """The page's server and its address."""
    from ui.serve import page_command

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = os.environ | {"LANESIDE_DATA": str(data)}
    quiet = subprocess.DEVNULL
    server = subprocess.Popen(page_command(port, browser=False), env=environment, stdout=quiet, stderr=quiet)
    url = f"http://127.0.0.1:{port}"
    for _ in range(300):
        try:
            urllib.request.urlopen(f"{url}/_stcore/health", timeout=5).close()
            return server, url
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
    raise RuntimeError("the page's server does not answer")


def first_paint_s(browser: Any, address: str, visits: int = 1) -> list[float]:
    """Seconds from navigation to the first useful picture, in a fresh browser and in visits after it.

    In the first visit the browser has nothing kept: it fetches all of the page's files.
    """
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    times = []
    for _ in range(visits):
        page = context.new_page()
        page.add_init_script(WATCH_FIRST)
        page.goto(address)
        page.wait_for_function("() => window.firstUseful !== null", timeout=60_000)
        times.append(float(page.evaluate("window.firstUseful")) / 1000)
        page.wait_for_load_state("networkidle")
        page.close()
    context.close()
    return times


def click_times_s(browser: Any, address: str, clicks: int) -> list[float]:
    """Seconds from a click on a curve to its frame, for some points chosen at random."""
    context = browser.new_context(viewport={"width": 1280, "height": 1000})
    page = context.new_page()
    page.goto(address)
    plot = page.locator(".js-plotly-plot").first
    plot.wait_for(timeout=60_000)
    page.wait_for_load_state("networkidle")
    plot.scroll_into_view_if_needed()
    chosen = random.Random(0)
    times = []
    for _ in range(clicks):
        points = page.locator(".js-plotly-plot .scatterlayer .trace").nth(1).locator(".points path")
        points.first.wait_for(state="attached")
        box = None
        while box is None:  # the plot may be drawn anew just now
            box = points.nth(chosen.randrange(max(1, points.count()))).bounding_box()
        page.evaluate(WATCH_CLICK)
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        try:
            page.wait_for_function("() => window.shown !== null", timeout=8000)
        except Exception:  # the same point twice, or another curve lay above it
            continue
        times.append(float(page.evaluate("window.shown - window.clicked")) / 1000)
        page.wait_for_load_state("networkidle")
    context.close()
    return times


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.page", description=__doc__)
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--clicks", type=int, default=12)
    said = parser.parse_args()
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory(prefix="laneside-bench-") as name:
        data = Path(name)
        key = stored_result(data)
        server, url = serve(data)
        try:
            with sync_playwright() as playwright:
                arguments = ["--no-sandbox", "--disable-gpu", "--no-first-run"]
                browser = playwright.chromium.launch(executable_path=CHROMIUM, args=arguments)
                address = f"{url}/?clip={key}"
                cold = first_paint_s(browser, address)[0]
                paints = [first_paint_s(browser, address)[0] for _ in range(said.runs)]
                again = first_paint_s(browser, address, 1 + said.runs)[1:]
                clicks = click_times_s(browser, f"{url}/?clip={key}", said.clicks)
                browser.close()
        finally:
            server.terminate()
            server.wait(timeout=30)
    record = {
        "first_visit_after_start_s": cold,
        "first_paint_s": {"median": statistics.median(paints), "worst": max(paints), "aim": FIRST_PAINT_S},
        "first_paint_of_a_later_visit_s": {"median": statistics.median(again), "worst": max(again)},
        "click_to_frame_s": {
            "median": statistics.median(clicks),
            "worst": max(clicks),
            "n": len(clicks),
            "aim": CLICK_S,
        },
        "load_average": os.getloadavg()[0],
    }
    folder = ROOT / "benchmarks" / "results"
    folder.mkdir(exist_ok=True)
    (folder / "page.json").write_text(json.dumps(record, indent=1), encoding="utf-8")
    print(json.dumps(record, indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
