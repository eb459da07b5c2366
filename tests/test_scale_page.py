"""The page on many clips: its tables follow from the figures at its top."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

DOCS = Path(__file__).parents[1] / "docs"


@pytest.fixture(scope="module")
def made() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_scale", DOCS / "make_scale.py")
    assert spec is not None and spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_tables_are_those_of_the_figures(made: ModuleType) -> None:
    page = (DOCS / "scale.md").read_text(encoding="utf-8")
    assert made.renewed(page) == page, "run python docs/make_scale.py"


def test_cost_by_hand(made: ModuleType) -> None:
    """A frame of 30 ms and 4 s a clip: 1,200 frames cost 40 s; half busy on 4 cores that is 20 s."""
    f = made.Figures(30, 4, 0.5, 500, 2, 10, 10, 100, 20)
    assert f.processor_s(1200) == pytest.approx(40)
    assert f.clock_s(1200, 4) == pytest.approx(20)
    assert f.result_size_mb(1200) == pytest.approx(14)
    assert f.moved_mb(5, 1200) == pytest.approx(114)
    assert "| 5 s at 240/s | 1200 | 11.1 | 5.6 | 50 | 14.0 |" in made.cost_table(f)
    assert "| 4 | 53 | 44% |" in made.evening_table(f), "160 clips of 20 s in two hours"
    assert "| 10,000 | 111 | 23 | 500 | 140.0 | 1.4 |" in made.large_table(f)


def test_a_page_without_its_figures_is_refused(made: ModuleType) -> None:
    with pytest.raises(ValueError, match="0 figures in bold, 9 are needed"):
        made.renewed("# nothing\n")
