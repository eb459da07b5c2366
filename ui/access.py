"""The page's password: where it is given, how it is kept and compared, how often it may be guessed.

It is never an option of the command line, where other users of the machine could read it: it stands in
``LANESIDE_PAGE_PASSWORD`` or in a file that its owner alone may read, there as itself or, better, as the
slow hash that `stored_line` makes (scrypt, RFC 7914).
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import secrets
import stat
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path
from typing import Final

from shared.errors import OptionError
from shared.files import output_error, private_folder, write_text

PASSWORD_VARIABLE: Final = "LANESIDE_PAGE_PASSWORD"
FILE_VARIABLE: Final = "LANESIDE_PAGE_PASSWORD_FILE"
GATE_VARIABLE: Final = "LANESIDE_PAGE_GATE"
"""Set by the page's server for the page that it runs: the door stands before it."""
FILE_NAME: Final = "page_password"
SHORTEST: Final = 8
LONGEST: Final = 1024
MARK: Final = "scrypt"
COST, BLOCK, PARALLEL = 1 << 15, 8, 1
"""32 MB and about a tenth of a second for each guess; parameters of the order that RFC 7914 (section 2) and
OWASP's cheat sheet on password storage name (the latter from memory)."""
_MOST_COST: Final = 1 << 20
FREE_TRIES: Final = 5
"""Wrong words from one address before it has to wait: 1 s, 2 s, 4 s ... up to `LONGEST_WAIT_S`."""
FREE_TRIES_OF_ALL: Final = 50
"""The same for all addresses together, so that many of them don't help."""
LONGEST_WAIT_S: Final = 300.0
FORGET_S: Final = 3600.0
_MOST_ADDRESSES: Final = 4096


@dataclass(frozen=True)
class Password:
    """A password as its slow hash.

    Attributes
    ----------
    salt, digest : bytes
    cost, block, parallel : int
        Parameters N, r and p of scrypt.
    """

    salt: bytes
    digest: bytes
    cost: int = COST
    block: int = BLOCK
    parallel: int = PARALLEL

    def fits(self, word: str) -> bool:
        """Whether `word` is it; takes as long for every word."""
        if len(word) > LONGEST:
            return False
        return hmac.compare_digest(
            _digest(word, self.salt, self.cost, self.block, self.parallel), self.digest
        )


def _digest(word: str, salt: bytes, cost: int, block: int, parallel: int) -> bytes:
    return hashlib.scrypt(
        word.encode("utf-8", "surrogatepass"),
        salt=salt,
        n=cost,
        r=block,
        p=parallel,
        maxmem=(1 << 20) + 128 * block * (cost + parallel + 2),
        dklen=32,
    )


def hashed(word: str, where: str = PASSWORD_VARIABLE) -> Password:
    """The slow hash of a new password; OptionError where it is too short."""
    if not SHORTEST <= len(word) <= LONGEST:
        raise OptionError(
            where,
            f"the password has fewer than {SHORTEST} letters",
            "choose a longer one, four words for instance",
        )
    salt = secrets.token_bytes(16)
    return Password(salt, _digest(word, salt, COST, BLOCK, PARALLEL))


def stored_line(password: Password) -> str:
    """The password as a line of the file."""
    parts = [base64.b64encode(x).decode("ascii") for x in (password.salt, password.digest)]
    return "$".join((MARK, str(password.cost), str(password.block), str(password.parallel), *parts))


def read_line(line: str, where: str) -> Password:
    """A line of the file: the password itself, or what `stored_line` made of it; OptionError."""
    parts = line.split("$")
    if parts[0] != MARK or len(parts) != 6:
        return hashed(line, where)
    try:
        cost, block, parallel = (int(p) for p in parts[1:4])
        salt, digest = (base64.b64decode(p, validate=True) for p in parts[4:])
        if not (1 < cost <= _MOST_COST and 1 <= block <= 32 and 1 <= parallel <= 16 and len(digest) == 32):
            raise ValueError
        if cost & (cost - 1):
            raise ValueError
    except ValueError as error:
        raise OptionError(
            where, "the stored password is damaged", "make it again: laneside page --set-password"
        ) from error
    return Password(salt, digest, cost, block, parallel)


def password_file(environment: Mapping[str, str] | None = None) -> Path:
    """The file of the password: the one that ``LANESIDE_PAGE_PASSWORD_FILE`` names, or in the data folder."""
    from shared import history as H

    said = (os.environ if environment is None else environment).get(FILE_VARIABLE, "").strip()
    return Path(said).expanduser() if said else H.history_path().with_name(FILE_NAME)


def given_password(environment: Mapping[str, str] | None = None) -> Password | None:
    """The page's password, or None where nobody asked for one.

    Raises
    ------
    OptionError
        If it is too short, or its file can be read by others or not at all.
    """
    said = os.environ if environment is None else environment
    if (word := said.get(PASSWORD_VARIABLE)) is not None:
        return hashed(word)
    file = password_file(said)
    if not said.get(FILE_VARIABLE, "").strip() and not os.path.lexists(file):
        return None
    try:
        with file.open("rb") as opened:
            found = os.fstat(opened.fileno())
            if os.name == "posix" and (found.st_uid != os.geteuid() or found.st_mode & 0o077):
                raise OptionError(
                    str(file), "others may read or change this file of a password", f"say: chmod 600 {file}"
                )
            if not stat.S_ISREG(found.st_mode):
                raise OptionError(str(file), "it is no ordinary file", "give another file")
            data = opened.read(4 * LONGEST + 256)
        lines = data.decode("utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        why = getattr(error, "strerror", None) or "it is no text"
        raise OptionError(
            str(file), f"the password can't be read from it ({why})", "check the file"
        ) from error
    return read_line(lines[0] if lines else "", str(file))


def keep_password(word: str) -> Path:
    """Write the slow hash of a new password into its file, for the owner's eyes; OptionError, OutputError."""
    file = password_file()
    line = stored_line(hashed(word, "the password"))
    try:
        private_folder(file.parent)
        umask = os.umask(0o077)
        try:
            write_text(file, line + "\n")
            file.chmod(0o600)
        finally:
            os.umask(umask)
    except OSError as error:
        raise output_error(file, error) from error
    return file


@dataclass
class Guesses:
    """Who has guessed wrongly how often; kept in memory only.

    Attributes
    ----------
    clock : callable
        Seconds that never run back.
    """

    clock: Callable[[], float]
    _wrong: dict[str, tuple[int, float]] = field(default_factory=dict)

    def wait_s(self, address: str) -> float:
        """Seconds that this address has to wait before its next try; 0 when it may try now."""
        return max(self._left(address, FREE_TRIES), self._left("", FREE_TRIES_OF_ALL))

    def _left(self, name: str, free: int) -> float:
        count, last = self._wrong.get(name, (0, 0.0))
        if count < free:
            return 0.0
        wait = min(LONGEST_WAIT_S, 2.0 ** min(count - free, 20))
        return max(0.0, last + wait - self.clock())

    def note_wrong(self, address: str) -> None:
        """A wrong word from this address."""
        now = self.clock()
        for name in (address, ""):
            count, last = self._wrong.pop(name, (0, now))
            self._wrong[name] = (1 if now - last > FORGET_S else count + 1, now)
        while len(self._wrong) > _MOST_ADDRESSES:  # the one that has been quiet for longest
            del self._wrong[next(iter(self._wrong))]

    def note_right(self, address: str) -> None:
        """The right word: this address begins anew."""
        self._wrong.pop(address, None)


def is_local(address: str | None) -> bool:
    """Whether only this machine can reach a server at that address."""
    if address == "localhost":
        return True
    try:
        return ip_address(address or "").is_loopback
    except ValueError:
        return False


def refusal(address: str | None, environment: Mapping[str, str] | None = None) -> str | None:
    """Why the page must not be shown by the server it runs in; None when it may.

    A second lock, for a page that was started in another way than by ``laneside page``.
    """
    said = os.environ if environment is None else environment
    if said.get(GATE_VARIABLE) == "on":
        return None
    try:
        asked = given_password(said) is not None
    except OptionError as error:
        return str(error)
    if asked:
        return "A password is asked for, and this way of starting the page has no door. Start it with: laneside page."
    if not is_local(address):
        return (
            "This page would be open to the whole network, without a password. Start it with: laneside page."
        )
    return None
