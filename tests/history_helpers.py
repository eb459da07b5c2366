"""Small histories of invented people for tests."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from shared import history as H
from shared.analysis import Analysis
from shared.errors import HistoryError
from tests.builders import analysis


def clip_analysis(number: int = 0, created: str = "2026-01-01T00:00:00+00:00", note: str = "") -> Analysis:
    """The tiny analysis as if measured from clip `number`."""
    base = analysis()
    return replace(
        base,
        clip=replace(base.clip, sha256=f"{number:064x}"),
        provenance=replace(base.provenance, created=created),
        notes=(note,),
    )


def id_of(saved: H.Athlete | H.Session | H.RunTime) -> str:
    assert saved.id is not None
    return saved.id


def person(history: H.History, name: str = "Runner-7Q", **values: object) -> str:
    """Id of a new athlete."""
    return id_of(H.save_athlete(history, H.Athlete(name, **values)))  # type: ignore[arg-type]


def day(history: H.History, athlete: str, date: str = "2026-05-01", **values: object) -> str:
    """Id of a new session."""
    return id_of(H.save_session(history, H.Session(athlete, date, **values)))  # type: ignore[arg-type]


@contextmanager
def filled(file: Path) -> Iterator[tuple[H.History, str, str]]:
    """A history with one athlete, a session, two clips and a run time."""
    with H.open_history(file) as history:
        athlete = person(history, stature_m=1.75)
        session = day(history, athlete, condition="usual", notes="windy")
        for i in range(2):
            H.save_analysis(history, clip_analysis(i), session, file.parent / f"result-{i}")
        H.save_run_time(
            history,
            H.RunTime(athlete, "2026-05-01", 100.0, 13.2, "hand", (H.Split(30.0, 4.8),), session=session),
        )
        yield history, athlete, session


def everything(history: H.History) -> dict[str, object]:
    """All that the public functions give, without what belongs to one machine alone (folders)."""
    out: dict[str, object] = {}
    for a in H.athletes(history):
        assert a.id is not None
        out[a.id] = (
            a,
            H.sessions(history, a.id),
            H.run_times(history, a.id),
            H.repeats(history, a.id),
            [H.clips(history, id_of(s)) for s in H.sessions(history, a.id)],
            [
                [replace(x, folder=None) for x in H.analyses(history, a.id, c.sha256)]
                for s in H.sessions(history, a.id)
                for c in H.clips(history, id_of(s))
            ],
            [[p.measure for p in H.session_points(history, id_of(s))] for s in H.sessions(history, a.id)],
        )
    return out


@contextmanager
def refused(part: str, file: Path) -> Iterator[None]:
    """The block must fail with one sentence that names the file and holds `part`."""
    with pytest.raises(HistoryError) as caught:
        yield
    text = str(caught.value)
    assert part in text, text
    assert str(file) in text
    assert "\n" not in text and "Traceback" not in text
    assert caught.value.exit_code == 9
