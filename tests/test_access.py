"""The page's password: where it may stand, what is kept of it, how often it may be guessed."""

from __future__ import annotations

import base64
import hashlib
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.errors import OptionError
from tests.page_helpers import page_file
from ui import access
from ui.access import (
    FREE_TRIES,
    FREE_TRIES_OF_ALL,
    LONGEST_WAIT_S,
    Guesses,
    Password,
    given_password,
    hashed,
    is_local,
    keep_password,
    read_line,
    refusal,
    stored_line,
)
from ui.cli import main
from ui.serve import needed_password, page_command

WORD = "four words and more"
posix = pytest.mark.skipif(os.name == "nt", reason="no file permissions of this kind here")


@pytest.fixture(autouse=True)
def _data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANESIDE_DATA", str(tmp_path / "data"))
    monkeypatch.delenv(access.PASSWORD_VARIABLE, raising=False)
    monkeypatch.delenv(access.FILE_VARIABLE, raising=False)
    monkeypatch.delenv(access.GATE_VARIABLE, raising=False)


def test_the_hash_is_scrypt_as_published() -> None:
    """RFC 7914, section 12, third test vector: N 16384, r 8, p 1 (its first 32 of 64 bytes)."""
    digest = bytes.fromhex("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")
    password = Password(b"SodiumChloride", digest, cost=16384)
    assert password.fits("pleaseletmein")
    assert not password.fits("pleaseletmeinn") and not password.fits("")


def test_two_hashes_of_one_password_differ_and_both_fit() -> None:
    first, second = hashed(WORD), hashed(WORD)
    assert first.salt != second.salt and first.digest != second.digest
    assert first.fits(WORD) and second.fits(WORD) and not first.fits(WORD.upper())


@pytest.mark.parametrize("word", ["", "short", "x" * 7, "x" * 1025])
def test_a_password_has_a_sensible_length(word: str) -> None:
    with pytest.raises(OptionError):
        hashed(word)


def test_what_is_stored_is_not_the_password() -> None:
    line = stored_line(hashed(WORD))
    assert WORD not in line and base64.b64encode(WORD.encode()).decode() not in line
    assert hashlib.sha256(WORD.encode()).hexdigest() not in line
    assert read_line(line, "file").fits(WORD)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 200), st.characters(min_codepoint=32, max_codepoint=126))
def test_a_damaged_line_is_refused_in_one_sentence_or_another_password(at: int, sign: str) -> None:
    salt, digest = base64.b64encode(b"s" * 16).decode(), base64.b64encode(b"d" * 32).decode()
    line = f"scrypt$4$1$1${salt}${digest}"
    at %= len(line)
    try:
        read_line(line[:at] + sign + line[at + 1 :], "file")
    except OptionError as error:
        assert len(str(error).splitlines()) == 1


@pytest.mark.parametrize(
    "line", ["scrypt$1048577$8$1$YQ==$YQ==", "scrypt$99999999$8$1$YQ==$YQ==", "scrypt$x$8$1$YQ==$YQ=="]
)
def test_a_line_that_would_take_all_memory_is_refused(line: str) -> None:
    with pytest.raises(OptionError, match="damaged"):
        read_line(line, "file")


def test_by_default_there_is_none() -> None:
    assert given_password() is None
    assert needed_password("127.0.0.1") is None


def test_from_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(access.PASSWORD_VARIABLE, WORD)
    password = given_password()
    assert password is not None and password.fits(WORD)
    monkeypatch.setenv(access.PASSWORD_VARIABLE, "")
    with pytest.raises(OptionError, match="fewer than 8"):
        given_password()  # empty is a slip, not a page without a password


@posix
@pytest.mark.parametrize("stored", [WORD + "\n", None])
def test_from_a_file_for_its_owner_alone(
    stored: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "word"
    file.write_text(stored or stored_line(hashed(WORD)))
    file.chmod(0o600)
    monkeypatch.setenv(access.FILE_VARIABLE, str(file))
    password = given_password()
    assert password is not None and password.fits(WORD)
    for rights in (0o640, 0o604, 0o620):
        file.chmod(rights)
        with pytest.raises(OptionError, match="chmod 600"):
            given_password()


@posix
@pytest.mark.parametrize("kind", ["missing", "folder", "no text", "empty"])
def test_a_file_that_cannot_be_used_is_no_page_without_password(
    kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "word"
    if kind == "folder":
        file.mkdir(mode=0o700)
    elif kind != "missing":
        file.write_bytes(b"\xff\xfe\x00" * 9 if kind == "no text" else b"")
        file.chmod(0o600)
    monkeypatch.setenv(access.FILE_VARIABLE, str(file))
    with pytest.raises(OptionError):
        given_password()


@posix
def test_a_kept_password_is_found_and_private() -> None:
    file = keep_password(WORD)
    assert file.stat().st_mode & 0o777 == 0o600 and WORD not in file.read_text()
    password = given_password()
    assert password is not None and password.fits(WORD)
    keep_password("another one entirely")
    again = given_password()
    assert again is not None and again.fits("another one entirely") and not again.fits(WORD)


def test_the_command_asks_for_it_and_never_takes_it_as_an_option(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[bool] = []

    def prompt(text: str, hide_input: bool, confirmation_prompt: bool) -> str:
        asked.append(hide_input and confirmation_prompt)
        return WORD

    monkeypatch.setattr("typer.prompt", prompt)
    assert main(["page", "--set-password"]) == 0
    assert asked == [True]
    assert WORD not in capsys.readouterr().out
    assert main(["page", "--password", WORD]) == 2
    assert not [a for a in page_command(8501, False, "192.168.1.5") if "password" in a.lower()]


@pytest.mark.parametrize("address", ["0.0.0.0", "192.168.1.5"])
def test_sharing_without_a_password_does_not_start(
    address: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def no_start(*_: object, **__: object) -> None:
        raise AssertionError("it was started")

    monkeypatch.setattr("subprocess.Popen", no_start)
    assert main(["page", "--address", address, "--no-browser"]) == 8
    said = capsys.readouterr().err
    assert len(said.splitlines()) == 1 and "--set-password" in said
    monkeypatch.setenv(access.PASSWORD_VARIABLE, WORD)
    assert needed_password(address) is not None


@pytest.mark.parametrize("address", ["", "example", "1.2.3", "::1", "localhost; x", "http://127.0.0.1"])
def test_an_address_that_is_none(address: str) -> None:
    with pytest.raises(OptionError, match="--address"):
        page_command(8501, False, address)


@pytest.mark.parametrize(
    ("address", "local"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("localhost", True),
        ("::1", True),
        ("0.0.0.0", False),
        ("192.168.1.5", False),
        ("", False),
        (None, False),
        ("localhost.example", False),
    ],
)
def test_which_addresses_are_this_machine_alone(address: str | None, local: bool) -> None:
    assert is_local(address) is local


def test_guesses_wait_longer_and_longer_by_address() -> None:
    now = 0.0
    guesses = Guesses(lambda: now)
    for _ in range(FREE_TRIES):
        assert guesses.wait_s("a") == 0
        guesses.note_wrong("a")
    waits = []
    for _ in range(12):
        waits.append(guesses.wait_s("a"))
        now += waits[-1]
        assert guesses.wait_s("a") == 0
        guesses.note_wrong("a")
    assert waits == [min(LONGEST_WAIT_S, 2.0**i) for i in range(12)]
    assert guesses.wait_s("b") == 0, "another address need not wait"
    guesses.note_right("a")
    assert guesses.wait_s("a") == 0


def test_many_addresses_do_not_help_a_guesser() -> None:
    now = 0.0
    guesses = Guesses(lambda: now)
    for i in range(FREE_TRIES_OF_ALL):
        assert guesses.wait_s(f"{i}") == 0
        guesses.note_wrong(f"{i}")
    assert guesses.wait_s("new") == 1.0
    tries = 0
    while now < 86_400:  # what a day of guessing brings from as many addresses as one likes
        now += guesses.wait_s(f"x{tries}") or 0.0
        guesses.note_wrong(f"x{tries}")
        tries += 1
    assert tries < 320


def test_the_list_of_guessers_does_not_grow_for_ever() -> None:
    guesses = Guesses(lambda: 0.0)
    for i in range(10_000):
        guesses.note_wrong(f"{i}")
    assert len(guesses._wrong) <= 4096 and guesses.wait_s("z") > 0


def _shown(monkeypatch: pytest.MonkeyPatch) -> tuple[list[str], list[str]]:
    from streamlit.testing.v1 import AppTest

    app = AppTest.from_file(str(page_file()), default_timeout=120).run()
    assert not app.exception
    return [t.value for t in app.title], [e.value for e in app.error]


def test_a_page_without_password_shows_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    titles, errors = _shown(monkeypatch)
    assert titles and not errors


@pytest.mark.parametrize("variable", [access.PASSWORD_VARIABLE, access.FILE_VARIABLE])
def test_a_page_that_is_started_past_its_door_shows_nothing(
    variable: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(variable, WORD)  # as a file, it is one that isn't there
    titles, errors = _shown(monkeypatch)
    assert not titles and len(errors) == 1


def test_a_page_behind_its_door_shows_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(access.FILE_VARIABLE, "/nowhere")
    monkeypatch.setenv(access.GATE_VARIABLE, "on")
    titles, errors = _shown(monkeypatch)
    assert titles and not errors


def test_a_server_of_another_kind_that_others_can_reach_is_refused() -> None:
    assert refusal("127.0.0.1", {}) is None
    for address in ("0.0.0.0", None, "", "192.168.1.5"):
        assert "whole network" in str(refusal(address, {}))
