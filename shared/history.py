"""The history: athletes, sessions, clips, analyses and run times in one file on the user's machine.

Open it with `open_history` and pass the handle to the functions here::

    with open_history() as history:
        runner = save_athlete(history, Athlete("A1", stature_m=1.75))
        day = save_session(history, Session(runner.id, "2026-05-01", condition="usual"))
        save_analysis(history, analysis, day.id, folder=out)

Every saving function is whole or not done at all; several are made one by ``with writing(history):``.
See docs/history.md.
"""

from __future__ import annotations

from shared.history_check import check
from shared.history_delete import clean, delete_athlete, delete_clip, delete_run_time, delete_session
from shared.history_edit_log import edits
from shared.history_edits import edit_athlete, edit_session
from shared.history_open import History, backups, data_folder, history_path, open_history, writing
from shared.history_queries import (
    analyses,
    analysis,
    athlete,
    athletes,
    clips,
    repeated_points,
    repeats,
    run_times,
    series,
    session,
    session_analyses,
    session_points,
    sessions,
)
from shared.history_save import save_analysis, save_athlete, save_run_time, save_session
from shared.history_squad import (
    repeated_sessions,
    session_means,
    sessions_before,
    sessions_points,
    squad,
)
from shared.history_transfer import export_history, import_history
from shared.history_values import (
    Athlete,
    Clip,
    Deleted,
    Edit,
    Imported,
    RepeatGroup,
    RunTime,
    Saved,
    SeriesPoint,
    Session,
    Split,
    SquadRow,
    StoredAnalysis,
    TimingMethod,
)

__all__ = [
    "Athlete",
    "Clip",
    "Deleted",
    "Edit",
    "History",
    "Imported",
    "RepeatGroup",
    "RunTime",
    "Saved",
    "SeriesPoint",
    "Session",
    "Split",
    "SquadRow",
    "StoredAnalysis",
    "TimingMethod",
    "analyses",
    "analysis",
    "athlete",
    "athletes",
    "backups",
    "check",
    "clean",
    "clips",
    "data_folder",
    "delete_athlete",
    "delete_clip",
    "delete_run_time",
    "delete_session",
    "edit_athlete",
    "edit_session",
    "edits",
    "export_history",
    "history_path",
    "import_history",
    "open_history",
    "repeated_points",
    "repeated_sessions",
    "repeats",
    "run_times",
    "save_analysis",
    "save_athlete",
    "save_run_time",
    "save_session",
    "series",
    "session",
    "session_analyses",
    "session_means",
    "session_points",
    "sessions",
    "sessions_before",
    "sessions_points",
    "squad",
    "writing",
]
