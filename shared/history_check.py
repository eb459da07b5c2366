"""The thorough check of the history, for when something looks wrong."""

from __future__ import annotations

from typing import Final

from shared.errors import HistoryError
from shared.history_documents import unpacked
from shared.history_open import RESTORE, History, damaged, errors_of

_NUMBERS: Final[tuple[str, ...]] = ("value", "unit", "low", "high", "n", "status", "why", "frame", "label")


def check(history: History) -> None:
    """Read every page, every document, and hold the table of measures against the documents.

    Raises
    ------
    HistoryError
        If anything is damaged.
    """
    c, file = history.connection, history.path
    with errors_of(file):
        said = [row[0] for row in c.execute("PRAGMA integrity_check")]
        if said != ["ok"]:
            raise damaged(file, said[0])
        if c.execute("PRAGMA foreign_key_check").fetchone():
            raise HistoryError(str(file), "parts of it belong to nothing", RESTORE)
        rows = c.execute(
            "SELECT a.id, a.uid, d.content FROM analyses a LEFT JOIN documents d ON d.analysis_id = a.id"
        )
        for number, uid, content in rows:
            document = unpacked(content, uid, file)
            kept = {
                (r["key"], r["side"]): tuple(r[name] for name in _NUMBERS)
                for r in c.execute("SELECT * FROM measures WHERE analysis_id = ?", (number,))
            }
            told = {(m["key"], m["side"]): tuple(m[name] for name in _NUMBERS) for m in document["measures"]}
            if kept != told:
                raise HistoryError(str(file), f"the measures of analysis {uid[:12]} are damaged", RESTORE)
