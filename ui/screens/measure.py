"""The main job on one page: each state of the open clip has its screen."""

from __future__ import annotations

from ui.screens import place
from ui.screens.ask import ask_screen
from ui.screens.result import result_actions, result_screen
from ui.screens.start import start_screen
from ui.screens.waiting import ended_screen, looking_screen, waiting_screen


def measure_screen() -> None:
    """Show the screen that the open clip's state asks for."""
    place.queue()
    job = place.open_job()
    if job is None:
        start_screen()
    elif job.state == "looking":
        looking_screen(job)
    elif job.state == "ready":
        ask_screen(job)
    elif job.state in ("waiting", "running"):
        waiting_screen(job)
    elif job.state == "done":
        result_screen(job)
        from ui.screens.keep import keep_result  # it brings the history, which the result needn't wait for

        keep_result(job)
        result_actions(job)
    else:
        ended_screen(job)
