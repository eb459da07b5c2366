"""What usually moves each measure: a row for each, plain and short, with where it is from."""

from __future__ import annotations

import re

import pytest

from shared.catalogue import MEASURES
from technique.speed_relations import speed_relations
from technique.what_moves import what_moves

SOURCE = re.compile(
    r"(19|20)\d\d|common practice, no source|closed form|follows from the definition|own reading"
)


@pytest.mark.parametrize("key", sorted(MEASURES))
def test_every_measure_has_a_plain_row_with_its_source(key: str) -> None:
    row = what_moves(key)
    assert row.moves.endswith(".")
    assert 1 <= len(re.findall(r"\.(?:\s|$)", row.moves)) <= 2, "one or two sentences"
    assert all(SOURCE.search(part) for part in row.source.split("; "))
    assert (row.usual is None) == (row.usual_source is None)
    assert row.usual_source is None or SOURCE.search(row.usual_source)


@pytest.mark.parametrize("key", sorted(MEASURES))
def test_nothing_is_promised(key: str) -> None:
    row = what_moves(key)
    said = f"{row.moves} {row.usual or ''}".lower()
    assert not re.search(r"injur|pain|prevent|heal|safe|risk|should|must|better|worse", said)


@pytest.mark.parametrize("key", sorted(speed_relations()))
def test_what_speed_moves_is_said_and_the_numbers_agree_with_the_table(key: str) -> None:
    """Open treadmill data of 26 and 8 runners (Fukuchi et al. 2017): two readings, one trend."""
    row, relation = what_moves(key), speed_relations()[key]
    assert "speed" in row.moves.lower() or "what moves the" in row.moves.lower()
    if row.usual is None or "2.5, 3.5 and 4.5 m/s" not in row.usual:
        return
    first, _, last = (float(n.replace("\N{MINUS SIGN}", "-")) for n in re.findall(r"[−\d.]+", row.usual)[:3])
    if relation.form == "power":
        assert last / first == pytest.approx((4.5 / 2.5) ** relation.slope, rel=0.02)
    else:
        assert last - first == pytest.approx(2.0 * relation.slope, abs=relation.sd)
