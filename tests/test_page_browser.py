"""The served page in a real browser: the main job from clip to result, and the ways it can fail.

Screenshots are kept in ``test_artefacts/page`` for people to look at.
"""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import tarfile
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests import page_helpers
from ui.screens import store
from ui.screens.navigation import SCREENS

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.xdist_group("browser")]

SHOTS = Path(__file__).parents[1] / "test_artefacts" / "page"
DESKTOP = {"width": 1280, "height": 900}
PHONE = {"width": 390, "height": 844}
WAIT_MS = 120_000
RUN_AGAIN_MS = 2_000
"""Far longer than a part of the page takes to run."""
CLIP_S = 2.0


@pytest.fixture(scope="session")
def short_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The invented clip of two runners, shorter, smaller and with every other picture left out."""
    source = Path(__file__).parents[1] / "sample_clips" / "clips" / "two_runners.mp4"
    if not source.exists():
        pytest.skip("the sample clips are not here; make them with: make clips")
    path = tmp_path_factory.mktemp("clip") / "two.mp4"
    page_helpers.shorten(source, path, seconds=CLIP_S, height=540, rate_hz=60.0)
    return path


@pytest.fixture(scope="session")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("data")


@pytest.fixture(scope="session")
def address(short_clip: Path, data: Path) -> Iterator[str]:
    """The page as `laneside page` serves it."""
    from ui.serve import page_command

    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    environment = os.environ | {store.FOLDER_VARIABLE: str(data), "LANESIDE_SAMPLE": str(short_clip)}
    server = subprocess.Popen(
        page_command(port, browser=False),
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    url = f"http://127.0.0.1:{port}"
    deadline = time.monotonic() + 120
    try:
        while True:
            try:
                urllib.request.urlopen(f"{url}/_stcore/health", timeout=5).close()
                break
            except (urllib.error.URLError, OSError):
                assert server.poll() is None, "the page's server ended"
                assert time.monotonic() < deadline, "the page's server does not answer"
                time.sleep(0.2)
        yield url
    finally:
        server.terminate()
        server.wait(timeout=30)


@pytest.fixture(scope="session")
def axe() -> str:
    """The open accessibility checker, fetched once through npm where that can be done."""
    folder = Path(__file__).parents[1] / "test_artefacts" / "axe"
    script = folder / "package" / "axe.min.js"
    if not script.exists():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("npm is not here to fetch the accessibility checker axe-core")
        folder.mkdir(parents=True, exist_ok=True)
        try:
            command = [npm, "pack", "axe-core@4", "--silent", "--pack-destination", str(folder)]
            subprocess.run(command, check=True, capture_output=True, timeout=90, cwd=folder)
            with tarfile.open(next(folder.glob("axe-core-*.tgz"))) as box:
                box.extractall(folder, filter="data")
        except (subprocess.SubprocessError, OSError, StopIteration, tarfile.TarError) as error:
            pytest.skip(f"the accessibility checker axe-core can't be fetched here ({type(error).__name__})")
    return script.read_text(encoding="utf-8")


def _guess(url: str) -> bool:
    """Opened below its root, the page's framework first asks there for its server, then at the root."""
    return any(f"/{address}/_stcore/" in url for address, _, _ in SCREENS)


@dataclass
class Visit:
    """An open page, and everything it should not have done."""

    page: Any
    address: str
    faults: list[str] = field(default_factory=list)

    def watch(self) -> None:
        def console(message: Any) -> None:
            if message.type == "error" and not _guess(message.location.get("url", "")):
                self.faults.append(f"console: {message.text}")

        def request(asked: Any) -> None:
            if not asked.url.startswith((self.address, self.address.replace("http", "ws"), "data:", "blob:")):
                self.faults.append(f"outside: {asked.url}")

        def response(given: Any) -> None:
            if given.status >= 400 and not _guess(given.url):
                self.faults.append(f"{given.status}: {given.url}")

        self.page.on("console", console)
        self.page.on("request", request)
        self.page.on("response", response)
        self.page.on("pageerror", lambda error: self.faults.append(f"script: {error}"))

    def open(self, query: str = "") -> None:
        self.page.goto(f"{self.address}/{query}")

    def heading(self, text: str) -> Any:
        return self.page.get_by_role("heading", name=text, exact=True)

    def button(self, text: str) -> Any:
        return self.page.get_by_role("button", name=text, exact=True)

    def shot(self, name: str) -> None:
        SHOTS.mkdir(parents=True, exist_ok=True)
        self.page.screenshot(path=SHOTS / f"{name}.png")

    def serious(self, checker: str) -> list[str]:
        """What the accessibility checker (its program) finds serious, with the place."""
        self.page.evaluate(checker)
        found = self.page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
        return [
            f"{v['id']} ({v['impact']}): {node['html'][:160]}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
            for node in v["nodes"][:3]
        ]

    def sideways_px(self) -> int:
        """How far the page can be scrolled sideways."""
        return int(
            self.page.evaluate(
                "(() => { const m = document.querySelector('[data-testid=stMain]');"
                " return Math.max(m.scrollWidth - m.clientWidth,"
                " document.documentElement.scrollWidth - document.documentElement.clientWidth); })()"
            )
        )


@pytest.fixture
def visit(chromium: Any, address: str, request: pytest.FixtureRequest) -> Iterator[Visit]:
    context = chromium.new_context(viewport=DESKTOP)
    context.set_default_timeout(WAIT_MS)
    seen = Visit(context.new_page(), address)
    seen.watch()
    yield seen
    name = re.sub(r"[^a-z0-9]+", "-", request.node.name.removeprefix("test_"))
    seen.shot(f"last-{name}")  # where a test that failed stood
    context.close()
    assert seen.faults == []


@pytest.fixture
def stored(data: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """Makes a clip in some state before the visit; gives its key."""
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(data))

    def make(state: store.State = "done", clip: bytes | None = None) -> str:
        return page_helpers.stored_job(store.new_key(), state, clip=clip).key

    return make


def _figure_caption(visit: Visit) -> Any:
    return visit.page.locator("figure figcaption", has_text="frame ").last


def test_from_the_sample_to_the_result(visit: Visit) -> None:
    visit.open()
    visit.heading("How to film").wait_for()
    visit.shot("1-start")
    visit.button("Try the sample clip").click()
    visit.heading("Is this right?").wait_for()
    visit.button("Measure this clip").wait_for()
    visit.shot("2-confirm")
    visit.page.locator("svg circle").first.wait_for()
    visit.button("Measure this clip").click()
    visit.button("Stop measuring").wait_for()
    visit.shot("3-measuring")
    visit.heading("What to work on").or_(visit.heading("Not measured")).wait_for()
    visit.shot("4-result")
    assert visit.heading("What to work on").is_visible()
    visit.heading("Files").wait_for()
    visit.page.locator(".js-plotly-plot").first.wait_for()
    visit.shot("4-result")
    with visit.page.expect_download() as download:
        visit.button("All of it (ZIP)").click()
    assert download.value.suggested_filename.endswith(".zip")


def test_a_busy_server_still_has_the_file_that_was_clicked_on(
    visit: Visit, stored: Callable[..., str]
) -> None:
    """The request for the file is held back as long as the page needs to run again, if a click made it run."""
    from streamlit.proto.BackMsg_pb2 import BackMsg

    held: list[Callable[[], None]] = []

    def between(browser: Any) -> None:
        server = browser.connect_to_server()

        def sent(message: bytes) -> None:
            said = BackMsg()
            said.ParseFromString(message)
            if said.WhichOneof("type") == "backend_operation_request":
                held.append(lambda: server.send(message))
            else:
                server.send(message)

        browser.on_message(sent)

    visit.page.route_web_socket(re.compile("/_stcore/stream"), between)
    visit.open(f"?clip={stored()}")
    visit.heading("Files").wait_for()
    visit.page.wait_for_load_state("networkidle")
    with visit.page.expect_download() as download:
        visit.button("All of it (ZIP)").click()
        visit.page.wait_for_timeout(RUN_AGAIN_MS)
        for send in held:
            send()
    assert len(held) == 1
    assert download.value.suggested_filename.endswith(".zip")


@pytest.mark.parametrize("after", [12, 40, 44, 52])
def test_a_connection_that_breaks_while_the_page_is_drawn_leaves_no_white_page(
    visit: Visit, stored: Callable[..., str], after: int
) -> None:
    """The first connection ends after so many messages of the server, as on a phone that loses its network."""
    links: list[int] = []

    def between(browser: Any) -> None:
        server = browser.connect_to_server()
        links.append(0)
        this = len(links) - 1

        def got(message: bytes) -> None:
            links[this] += 1
            if this == 0 and links[0] >= after:
                if links[0] == after:
                    server.close()
                    browser.close(code=1011, reason="lost")
                return
            browser.send(message)

        server.on_message(got)

    visit.page.route_web_socket(re.compile("/_stcore/stream"), between)
    visit.open(f"?clip={stored()}")
    visit.heading("And then").wait_for()
    visit.heading("Files").wait_for()
    assert len(links) > 1


def test_a_click_on_the_picture_chooses_the_athlete(visit: Visit, stored: Callable[..., str]) -> None:
    visit.open(f"?clip={stored('ready')}")
    visit.page.get_by_role("radio", name="Person 2").wait_for(state="attached")
    # The invented picture is 320 px wide; the second person stands at (200, 120).
    picture = visit.page.locator(".room svg")
    visit.page.locator(".room svg circle").nth(3).wait_for()
    chosen = (
        "() => [...document.querySelectorAll('input[type=radio]')]"
        ".some(r => r.checked && r.closest('label').innerText.startsWith('Person 2'))"
    )
    for _ in range(5):  # a click while the page is still being put together is lost
        visit.page.wait_for_load_state("networkidle")
        width = picture.bounding_box()["width"]
        picture.click(position={"x": 200 / 320 * width, "y": 120 / 320 * width})
        try:
            visit.page.wait_for_function(chosen, timeout=8000)
            break
        except Exception as error:
            assert "Timeout" in type(error).__name__, error
    assert visit.page.evaluate(chosen)
    visit.shot("5-athlete")


def test_an_upload_is_looked_at_and_a_bad_file_is_one_sentence(visit: Visit, tmp_path: Path) -> None:
    bad = tmp_path / "holiday.mp4"
    bad.write_bytes(b"this is no video at all")
    visit.open()
    visit.page.locator("input[type=file]").set_input_files(str(bad))
    visit.heading("Not measured").wait_for()
    said = visit.page.get_by_role("alert").inner_text()
    assert said.startswith("holiday.mp4: ")
    assert "/" not in said
    assert "Traceback" not in said
    visit.shot("6-bad-file")
    visit.button("Another clip").click()
    visit.heading("How to film").wait_for()


def test_work_can_be_stopped(visit: Visit, stored: Callable[..., str], short_clip: Path) -> None:
    visit.open(f"?clip={stored('ready', short_clip.read_bytes())}")
    visit.button("Measure this clip").click()
    visit.button("Stop measuring").click()
    visit.page.get_by_text("nothing half-made was kept").wait_for()
    visit.shot("7-stopped")


def test_two_visitors_do_not_see_each_others_clips(visit: Visit, chromium: Any) -> None:
    visit.open()
    visit.page.locator("input[type=file]").set_input_files(
        {"name": "private-run.mp4", "mimeType": "video/mp4", "buffer": page_helpers.tiny_clip()}
    )
    visit.page.get_by_text("private-run.mp4").first.wait_for()
    # The same visitor finds the clip again in a new tab; another browser does not.
    tab = visit.page.context.new_page()
    tab.goto(f"{visit.address}/clips")
    tab.get_by_text("private-run.mp4").wait_for()
    other = chromium.new_context(viewport=DESKTOP)
    stranger = other.new_page()
    stranger.goto(f"{visit.address}/clips")
    stranger.get_by_text("Nothing here yet").wait_for()
    other.close()


def test_a_stored_result_steps_through_frames(visit: Visit, stored: Callable[..., str]) -> None:
    visit.open(f"?clip={stored()}")
    caption = _figure_caption(visit)
    caption.get_by_text("frame 4,").wait_for()
    visit.button("frame ▶").click()
    visit.page.get_by_text("frame 5, 0.042 s").wait_for()
    point = visit.page.locator(".js-plotly-plot .scatterlayer .points path").nth(8)
    point.scroll_into_view_if_needed()
    point.click(force=True)
    visit.page.get_by_text("frame 8,").or_(visit.page.get_by_text("frame 9,")).first.wait_for()


def test_a_touchdown_is_moved_by_hand_and_moved_back(
    visit: Visit, data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(store.FOLDER_VARIABLE, str(data))
    job = page_helpers.true_job(store.new_key())
    visit.open(f"?clip={job.key}")
    caption = _figure_caption(visit)
    visit.page.get_by_text("touchdown of the near").first.wait_for()
    before = caption.inner_text()
    visit.page.get_by_text("Put something right by hand").click()
    visit.button("One frame later").click()
    visit.page.get_by_text("moved to frame").first.wait_for()
    visit.page.get_by_text("were made before your last change").wait_for()
    visit.shot("8-by-hand")
    visit.button("Undo the last").click()
    visit.page.get_by_text("moved to frame").first.wait_for(state="detached")
    assert caption.inner_text() == before


@pytest.mark.parametrize("query", ["", "stored", "clips", "targets"])
def test_nothing_scrolls_sideways_on_a_phone(visit: Visit, stored: Callable[..., str], query: str) -> None:
    visit.page.set_viewport_size(PHONE)
    visit.open(f"?clip={stored()}" if query == "stored" else query)
    name = {"": "How to film", "stored": "Files", "clips": "My clips", "targets": "Targets"}[query]
    visit.heading(name).wait_for()
    assert visit.sideways_px() == 0
    visit.shot(f"phone-{query or 'start'}")


def test_pictures_have_words(visit: Visit, stored: Callable[..., str]) -> None:
    visit.open(f"?clip={stored()}")
    visit.heading("Files").wait_for()
    _figure_caption(visit).wait_for()
    assert visit.page.locator(".ls img").count() > 1
    assert visit.page.locator(".ls img:not([alt]), .ls img[alt='']").count() == 0


@pytest.mark.parametrize("place", ["start", "confirm", "result", "clips", "targets"])
def test_no_serious_finding_of_the_accessibility_checker(
    visit: Visit, stored: Callable[..., str], axe: str, place: str
) -> None:
    query = {
        "start": "",
        "confirm": f"?clip={stored('ready')}" if place == "confirm" else "",
        "result": f"?clip={stored()}" if place == "result" else "",
        "clips": "clips",
        "targets": "targets",
    }[place]
    head = {
        "start": "How to film",
        "confirm": "What only you know",
        "result": "Files",
        "clips": "My clips",
        "targets": "Targets",
    }[place]
    visit.open(query)
    visit.heading(head).wait_for()
    visit.page.wait_for_load_state("networkidle")
    assert visit.serious(axe) == []
