"""What holds for every test."""

from __future__ import annotations

import os
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest

# Every test sees its clips anew, and none writes into the user's own cache.
os.environ["LANESIDE_CACHE"] = "off"
# Nor into the user's own data folder.
_DATA = tempfile.TemporaryDirectory(prefix="laneside-test-")
os.environ["LANESIDE_DATA"] = _DATA.name

CHROMIUM = Path("/usr/bin/chromium")
CHROMIUM_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(autouse=True)
def _no_queue_left_behind() -> Iterator[None]:
    """A page's queue ends with the test that opened the page, or it would serve the next test's clips."""
    yield
    place = sys.modules.get("ui.screens.place")
    if place is not None:
        place.queue.clear()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """One browser for all modules: its driver can't be started twice in a process."""
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not here; install Chromium to drive the page")
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=CHROMIUM_ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def one_child() -> Iterator[None]:
    """One child process for all measurements of a module by the command line: it loads its libraries once."""
    from ui import job
    from ui.apart import kept_child

    with kept_child() as run, pytest.MonkeyPatch().context() as patch:
        patch.setattr(job, "measure_apart", partial(job.measure_apart, run=run))
        patch.setattr(job, "in_child", run)
        yield
