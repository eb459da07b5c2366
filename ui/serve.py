"""Starting the page: on this machine only unless asked otherwise, and silent towards the outside."""

from __future__ import annotations

import subprocess
import sys
from ipaddress import IPv4Address

from shared.errors import OptionError
from ui import look
from ui.access import Password, given_password, is_local

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


def page_command(port: int, browser: bool, address: str = HOST) -> list[str]:
    """The command that serves the page.

    Parameters
    ----------
    port : int
        1024..65535.
    browser : bool
        Open the user's browser.
    address : str
        Of this machine; any but its own 127.0.0.1 makes the page reachable for others.

    Raises
    ------
    OptionError
        If the port is out of range or the address is none.
    """
    if not 1024 <= port <= 65535:
        raise OptionError("--port", f"{port} is not between 1024 and 65535", "choose for instance 8501")
    try:
        IPv4Address(address)
    except ValueError as error:
        raise OptionError(
            "--address",
            f"'{address}' is no address of the kind 192.168.1.5",
            "give this machine's own, or leave it out",
        ) from error
    return [
        sys.executable,
        "-m",
        "ui.page_server",
        str(port),
        *(["--browser"] if browser else []),
        f"--server.address={address}",
        f"--server.port={port}",
        "--server.fileWatcherType=none",
        "--server.maxUploadSize=2048",
        "--browser.gatherUsageStats=false",
        "--client.toolbarMode=minimal",
        "--client.showErrorDetails=none",
        *THEME,
    ]


def needed_password(address: str) -> Password | None:
    """The password that stands before a page at that address.

    Raises
    ------
    OptionError
        If others can reach the address and there is no password, or none that can be used.
    """
    password = given_password()
    if password is None and not is_local(address):
        raise OptionError(
            "--address",
            f"at {address} others can reach the page, and it has no password",
            "say laneside page --set-password first",
        )
    return password


def serve_page(port: int, browser: bool, address: str = HOST) -> int:
    """Serve the page until the user stops it; returns the server's exit code."""
    command = page_command(port, browser, address)
    password = needed_password(address)
    reach = (
        "on this machine only" if is_local(address) else "for everyone in this network who has the password"
    )
    print(f"The page runs at http://{address}:{port} {reach}; stop it with Ctrl-C.", flush=True)
    if not is_local(address):
        print(
            "Nothing is encrypted on the way: clips and password can be read by who runs the network. "
            "See docs/privacy.md for a proxy that encrypts.",
            flush=True,
        )
    elif password is not None:
        print("It asks for the password.", flush=True)
    process = subprocess.Popen(command)
    try:
        return process.wait()
    except KeyboardInterrupt:
        process.terminate()
        return process.wait()
