"""The screens of the history in a real browser: on a desk and on a phone, with nothing from outside."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from tests import page_helpers
from tests.invented_weeks import base
from tests.test_page_browser import PHONE, Visit, address, axe, visit
from ui.demo_history import build_history

__all__ = ["address", "axe", "visit"]

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.xdist_group("browser")]

SCREENS = {
    "athletes": ("Athletes and sessions", "after knee drills"),
    "compare": ("Compare", "more than the"),
    "trend": ("Trend", "a week (95 % interval"),
    "times": ("Run times", "Top speed"),
    "return-check": ("Return-to-sprint posture check", "pelvic drop"),
    "squad": ("Squad", "Invented runner C"),
}
"""Title of each screen and words that stand on it when it is whole."""


@pytest.fixture(scope="session")
def data(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder with the invented weeks."""
    folder = tmp_path_factory.mktemp("weeks")
    build_history(folder / "history.sqlite", base(), date(2026, 5, 4))
    return folder


@pytest.fixture(scope="session")
def short_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """No clip is measured here."""
    path = tmp_path_factory.mktemp("clip") / "tiny.mp4"
    path.write_bytes(page_helpers.tiny_clip())
    return path


def _whole(visit: Visit, screen: str) -> None:
    title, words = SCREENS[screen]
    visit.open(screen)
    visit.heading(title).wait_for()
    visit.page.get_by_text(words).first.wait_for()
    visit.page.wait_for_load_state("networkidle")


@pytest.mark.parametrize("screen", SCREENS)
def test_no_serious_finding_of_the_accessibility_checker(visit: Visit, axe: str, screen: str) -> None:
    _whole(visit, screen)
    assert visit.serious(axe) == []


@pytest.mark.parametrize("screen", SCREENS)
def test_nothing_scrolls_sideways_on_a_phone(visit: Visit, screen: str) -> None:
    visit.page.set_viewport_size(PHONE)
    _whole(visit, screen)
    assert visit.sideways_px() == 0
    visit.shot(f"phone-{screen}")
    assert visit.page.locator(".ls img:not([alt]), .ls img[alt='']").count() == 0


def test_the_units_chosen_on_one_page_hold_on_the_next(visit: Visit) -> None:
    _whole(visit, "times")
    visit.page.get_by_text("feet and inches", exact=True).click()
    visit.page.get_by_text("Top speed").get_by_text("mph").first.wait_for()
    for title, heading, words in (
        ("Squad", "Squad", "speed +"),
        ("Compare", "Compare", "more than the"),
        ("Return check", "Return-to-sprint posture check", "pelvic drop"),
    ):
        visit.page.get_by_role("link", name=title, exact=True).first.click()
        visit.heading(heading).wait_for()
        visit.page.get_by_text(words).first.wait_for()
        visit.page.wait_for_load_state("networkidle")
        assert visit.page.get_by_role("radio", name="feet and inches").get_attribute("aria-checked") == "true"
        assert " m/s" not in visit.page.locator("[data-testid=stMain]").inner_text()
    visit.page.set_viewport_size(PHONE)
    assert visit.sideways_px() == 0
