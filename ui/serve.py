"""Starting the page: on this machine only, and silent towards the outside."""

from __future__ import annotations

import subprocess
import sys

from shared.errors import OptionError
from ui import look

HOST = "127.0.0.1"
THEME = (
    "--theme.base=light",
    f"--theme.primaryColor={look.NEAR}",
    f"--theme.backgroundColor={look.PAPER}",
    f"--theme.secondaryBackgroundColor={look.WASH}",
    f"--theme.textColor={look.INK}",
    f"--theme.linkColor={look.NEAR}",
    f"--theme.borderColor={look.QUIET}",
    "--theme.baseRadius=4px",
)


def page_command(port: int, browser: bool) -> list[str]:
    """The command that serves the page.

    Parameters
    ----------
    port : int
        1024..65535.
    browser : bool
        Open the user's browser.

    Raises
    ------
    OptionError
        If the port is out of range.
    """
    if not 1024 <= port <= 65535:
        raise OptionError("--port", f"{port} is not between 1024 and 65535", "choose for instance 8501")
    return [
        sys.executable,
        "-m",
        "ui.page_server",
        str(port),
        *(["--browser"] if browser else []),
        f"--server.address={HOST}",
        f"--server.port={port}",
        "--server.fileWatcherType=none",
        "--server.maxUploadSize=2048",
        "--browser.gatherUsageStats=false",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        *THEME,
    ]


def serve_page(port: int, browser: bool) -> int:
    """Serve the page until the user stops it; returns the server's exit code."""
    command = page_command(port, browser)
    print(f"The page runs at http://{HOST}:{port} on this machine only; stop it with Ctrl-C.", flush=True)
    process = subprocess.Popen(command)
    try:
        return process.wait()
    except KeyboardInterrupt:
        process.terminate()
        return process.wait()
