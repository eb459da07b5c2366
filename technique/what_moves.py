"""What usually moves a measure, and what was found in other runners, read from data with its sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Final

import yaml

_FILE: Final = Path(__file__).parent / "data" / "what_moves.yaml"


@dataclass(frozen=True)
class WhatMoves:
    """One measure's row.

    Attributes
    ----------
    moves, source : str
        What usually moves the number, and where that is from.
    usual, usual_source : str or None
        A value found in other runners, and where; None where there is none that could be read.
    """

    moves: str
    source: str
    usual: str | None = None
    usual_source: str | None = None


@cache
def _rows() -> Mapping[str, WhatMoves]:
    raw: dict[str, dict[str, str]] = yaml.safe_load(_FILE.read_text(encoding="utf-8"))
    return {key: WhatMoves(**row) for key, row in raw.items()}


def what_moves(key: str) -> WhatMoves:
    """The row of a measure of the catalogue.

    Raises
    ------
    KeyError
        If `key` is no measure.
    """
    return _rows()[key]
