"""Which phones are paired, and what each may do; the codes by which one more is.

One file in the page's own folder, written by the page and by `rowwater page pair` and `phones`. It holds no
token and no code, only their SHA-256: a token is 256 random bits, so that there is nothing to guess which a
slow hash would protect; a code lives ten minutes and five tries.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import secrets
import stat
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal, NoReturn, TypeAlias, get_args

from scheduler.disk import write_atomic
from scheduler.errors import BadInput, CouldNot
from scheduler.json_reading import read_json

May: TypeAlias = Literal["look", "note", "water"]
RIGHTS: tuple[May, ...] = get_args(May)
"""Each holds those before it."""

FILE = "phones.json"
CODE_LASTS = timedelta(minutes=10)
MOST_WRONG = 5
PAUSE = timedelta(minutes=10)
UNUSED = timedelta(days=180)
"""A phone that was not seen for so long must be paired anew."""
MOST_PHONES = 50
MOST_CODES = 5
SEEN_EVERY = timedelta(days=1)
PATIENCE_S = 5.0


def allows(may: May, wanted: May) -> bool:
    """
    >>> allows("water", "note"), allows("look", "note")
    (True, False)
    """
    return RIGHTS.index(may) >= RIGHTS.index(wanted)


@dataclass(frozen=True, slots=True)
class Phone:
    number: int
    name: str
    may: May
    token_hash: str
    paired: datetime
    seen: datetime  # at most a day ago, while it is used


@dataclass(frozen=True, slots=True)
class _Code:
    code_hash: str
    may: May
    name: str | None
    until: datetime


@dataclass(frozen=True, slots=True)
class _Book:
    """The file."""

    secret: str  # of this page alone: what forms are signed with
    next_number: int = 1
    phones: tuple[Phone, ...] = ()
    codes: tuple[_Code, ...] = ()
    wrong: int = 0
    pause_until: datetime | None = None


class Refused(Exception):
    """No pairing: the text says why, for the phone."""


class Phones:
    """The paired phones of one page."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._read: tuple[Any, _Book] | None = None

    # --- on the machine ---

    def new_code(self, may: May, name: str | None, now: datetime) -> str:
        """Eight digits, to be typed on the phone within ten minutes; they are kept nowhere."""
        code = f"{secrets.randbelow(10**8):08d}"
        with self._writing() as book:
            codes = [one for one in book.codes if one.until > now][-(MOST_CODES - 1) :]
            codes.append(_Code(_hash(code), may, name, now + CODE_LASTS))
            self._write(replace(book, codes=tuple(codes), wrong=0, pause_until=None))
        return code

    def listed(self) -> tuple[Phone, ...]:
        return self._book().phones

    def remove(self, number: int) -> Phone:
        """Its next request is refused. BadInput where there is no such phone."""
        with self._writing() as book:
            found = next((one for one in book.phones if one.number == number), None)
            if found is None:
                raise BadInput(f"no phone {number} is paired", hint="rowwater page phones lists them")
            self._write(replace(book, phones=tuple(one for one in book.phones if one is not found)))
        return found

    # --- asked by phones ---

    @property
    def secret(self) -> bytes:
        """Made when it is first needed."""
        book = self._book()
        if not book.secret:
            with self._writing() as book:
                if not book.secret:
                    book = replace(book, secret=secrets.token_hex(32))
                    self._write(book)
        return bytes.fromhex(book.secret)

    def pair(self, typed: str, name: str, now: datetime) -> str:
        """The token of a new phone, which is kept nowhere here. Refused where the code is not right."""
        digits = "".join(letter for letter in typed if letter.isdigit())[:20]
        with self._writing() as book:
            if book.pause_until is not None and now < book.pause_until:
                raise Refused(_paused(book.pause_until - now))
            right = next((c for c in book.codes if c.code_hash == _hash(digits) and now < c.until), None)
            if right is None:
                self._count_wrong(book, now)
            if len(book.phones) >= MOST_PHONES:
                raise Refused("too many phones are paired; take some off: rowwater page phones --remove N")
            token = secrets.token_urlsafe(32)
            phone = Phone(
                book.next_number, right.name or name or "a phone", right.may, _hash(token), now, now
            )
            codes = tuple(one for one in book.codes if one is not right)
            book = replace(book, phones=(*book.phones, phone), codes=codes, wrong=0)
            self._write(replace(book, next_number=book.next_number + 1))
        return token

    def _count_wrong(self, book: _Book, now: datetime) -> NoReturn:
        wrong = book.wrong + 1
        if wrong < MOST_WRONG:
            self._write(replace(book, wrong=wrong))
            raise Refused("that code is not right, or older than ten minutes")
        self._write(replace(book, wrong=0, codes=(), pause_until=now + PAUSE))
        raise Refused(_paused(PAUSE))

    def of(self, token: str | None, now: datetime) -> Phone | None:
        """The phone that a token belongs to; None of an unknown, removed or long unused one."""
        if not token or len(token) > 100:
            return None
        wanted = _hash(token)
        phone = next((one for one in self._book().phones if one.token_hash == wanted), None)
        if phone is None or now - phone.seen > UNUSED:
            return None
        if now - phone.seen >= SEEN_EVERY:
            with suppress(CouldNot):  # it stays paired all the same
                self._saw(phone, now)
        return phone

    def leave(self, phone: Phone) -> None:
        with suppress(BadInput):
            self.remove(phone.number)

    def _saw(self, phone: Phone, now: datetime) -> None:
        with self._writing() as book:
            phones = (replace(one, seen=now) if one.number == phone.number else one for one in book.phones)
            self._write(replace(book, phones=tuple(phones)))

    # --- the file ---

    def _book(self) -> _Book:
        """Read anew where it was replaced: a phone that was removed is refused at once."""
        path = self._folder / FILE
        try:
            state = path.stat()
        except FileNotFoundError:
            return _Book("")
        except OSError as error:
            raise CouldNot(f"{path} cannot be read ({error.strerror or error})") from error
        stamp = (state.st_mtime_ns, state.st_ino, state.st_size)
        if self._read is None or self._read[0] != stamp:
            self._read = (stamp, _read(path))
        return self._read[1]

    def _write(self, book: _Book) -> None:
        text = json.dumps(asdict(book), default=datetime.isoformat, indent=1) + "\n"
        write_atomic(self._folder / FILE, text, mode=self._mode())
        self._read = None

    def _mode(self) -> int:
        """For the owner alone; in a folder that a group shares (the service's), for that group too: whoever
        pairs phones there is another user than the page, and may open valves anyway.
        """
        return 0o660 if self._folder.stat().st_mode & stat.S_ISGID else 0o600

    @contextmanager
    def _writing(self) -> Iterator[_Book]:
        """One writer at a time, of all processes. CouldNot where the folder cannot be written."""
        try:
            own_folder(self._folder)
            handle = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
        except OSError as error:
            raise CouldNot(f"{self._folder} cannot be used ({error.strerror or error})") from error
        try:
            _lock(handle, self._folder)
            yield self._book()
        finally:
            os.close(handle)


def own_folder(folder: Path) -> None:
    """Made where there is none yet: for the owner alone, or shared as the data folder is. OSError."""
    if folder.is_dir():
        return
    shared = folder.parent.stat().st_mode & stat.S_ISGID
    folder.mkdir(mode=0o700)
    folder.chmod(0o2770 if shared else 0o700)  # whatever the umask


def _lock(handle: int, folder: Path) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            return fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > deadline:
                raise CouldNot(f"another program keeps {folder} busy", hint="try again") from None
            time.sleep(0.02)


def _paused(left: timedelta) -> str:
    minutes = max(1, round(left.total_seconds() / 60))
    return f"too many wrong codes: none is taken for {minutes} min, and new ones are needed"


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _read(path: Path) -> _Book:
    try:
        page = read_json(path.read_bytes())
        return _Book(
            secret=str(page["secret"]),
            next_number=int(page["next_number"]),
            phones=tuple(_phone(one) for one in page["phones"]),
            codes=tuple(_code(one) for one in page["codes"]),
            wrong=int(page["wrong"]),
            pause_until=page["pause_until"] and datetime.fromisoformat(page["pause_until"]),
        )
    except OSError as error:
        raise CouldNot(f"{path} cannot be read ({error.strerror or error})") from error
    except (ValueError, LookupError, TypeError) as error:
        raise CouldNot(
            f"{path} is broken: {error}", hint="remove it, and pair each phone anew: rowwater page pair"
        ) from error


def _code(one: Mapping[str, Any]) -> _Code:
    return _Code(**{**one, "until": datetime.fromisoformat(one["until"])})


def _phone(one: Mapping[str, Any]) -> Phone:
    if one["may"] not in RIGHTS:
        raise ValueError(one["may"])
    times = {key: datetime.fromisoformat(one[key]) for key in ("paired", "seen")}
    return Phone(**{**one, **times})
