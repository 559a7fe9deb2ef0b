"""Which phones may give commands: their keys, in a file of their own, and how they get one.

A phone proves itself by signing each press with its key (HMAC-SHA-256). The key crosses the
network once, when a pedal pairs a phone; with a link it never does, for a browser keeps what
follows the ``#`` to itself. A press that was heard can't be sent again: its number must rise,
and ``run`` is another after each start.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import json
import os
import secrets
import time
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..errors import CommandError, StoreError

PHONE_KEY_BYTES = 16
MOST_PHONES = 16
MOST_LINKS = 4
LINK_S = 600.0  # a link may be used once, within this
MOST_ASKING = 16
ASKING_S = 60.0  # a phone waits for the pedal so long
HEARD_S = 3.0  # a phone that waits asks once a second
LARGEST_FILE = 65_536
_FILE_MODE, _FOLDER_MODE = 0o600, 0o700


@dataclass(frozen=True, slots=True)
class Phone:
    """A phone that may give commands; ``since_s`` is Unix time, ``by`` is "link" or "pedal"."""

    name: str
    key: str
    since_s: float
    by: str


@dataclass(slots=True)
class _Asking:
    """A phone that waits for the pedal."""

    asked_s: float
    heard_s: float
    answer: dict[str, Any] | None = None


def phone_name(key: str) -> str:
    """Return the name of the phone that has a key; it tells nothing about the key."""
    return hashlib.sha256(f"zerobeat phone {key}".encode()).hexdigest()[:12]


def signature(key: str, *parts: str) -> str:
    """Return the signature of some parts, as the page makes it."""
    return hmac.new(key.encode(), "\n".join(parts).encode(), hashlib.sha256).hexdigest()


class Pairing:
    """The phones that are paired, and those that ask to be.

    Args:
        path: the file with their keys, which only this user may read.

    Attributes:
        run: a text of this start; every signature holds it.
        fault: why the file can't be read: no phone is paired then, and none can be; "" if it can.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.run = secrets.token_hex(8)
        self._phones: dict[str, Phone] = {}
        self._links: OrderedDict[str, float] = OrderedDict()  # until when, by key
        self._asking: OrderedDict[str, _Asking] = OrderedDict()
        self._no_key = secrets.token_hex(
            PHONE_KEY_BYTES
        )  # compared with for a name that is unknown
        self.fault = ""
        self._read()

    @property
    def phones(self) -> list[Phone]:
        """The phones that are paired, the oldest first."""
        return sorted(self._phones.values(), key=lambda phone: phone.since_s)

    # ------------------------------------------------------------ proof

    def is_signed(self, name: str, sign: str, *parts: str) -> bool:
        """Return whether a paired phone signed these parts; takes as long for any other."""
        phone = self._phones.get(name)
        wanted = signature(self._no_key if phone is None else phone.key, self.run, *parts)
        same = hmac.compare_digest(wanted.encode(), sign.encode("utf-8", "replace"))
        return same and phone is not None

    # ------------------------------------------------------------ by a link

    def offer(self, now_s: float) -> str:
        """Return a key for one phone, to be carried by a link within ``LINK_S``."""
        self._check_room()
        key = secrets.token_hex(PHONE_KEY_BYTES)
        self._links[key] = now_s + LINK_S
        while len(self._links) > MOST_LINKS:
            self._links.popitem(last=False)
        return key

    def take_link(self, name: str, sign: str, now_s: float) -> Phone | None:
        """Pair the phone that proves to have the key of a link; None if it has none.

        Raises:
            CommandError, StoreError: it can't be kept.
        """
        found: str | None = None
        for key, until_s in tuple(self._links.items()):
            if until_s < now_s:
                del self._links[key]
                continue
            wanted = signature(key, self.run, "pair", phone_name(key))
            if hmac.compare_digest(wanted.encode(), sign.encode("utf-8", "replace")):
                found = key
        if found is None or phone_name(found) != name:
            return None
        phone = self._keep(found, "link")
        del self._links[found]
        return phone

    # ------------------------------------------------------------ by a pedal

    def ask(self, now_s: float) -> str:
        """Return a ticket for a phone that will wait for the pedal.

        Raises:
            CommandError: too many wait.
        """
        for ticket, asking in tuple(self._asking.items()):
            if now_s - asking.asked_s > ASKING_S or now_s - asking.heard_s > 2 * HEARD_S:
                del self._asking[ticket]
        if len(self._asking) >= MOST_ASKING:
            raise CommandError("too many phones ask to be paired; use: zerobeat page --pair")
        ticket = secrets.token_hex(PHONE_KEY_BYTES)
        self._asking[ticket] = _Asking(now_s, now_s)
        return ticket

    def poll(self, ticket: str, now_s: float) -> dict[str, Any]:
        """Return ``waiting`` and the seconds left, a ``key``, or ``refused`` and why."""
        asking = self._asking.get(ticket)
        if asking is None:
            return {"refused": "it took too long; ask again"}
        if asking.answer is not None:
            del self._asking[ticket]
            return asking.answer
        asking.heard_s = now_s
        left_s = asking.asked_s + ASKING_S - now_s
        if left_s <= 0:
            del self._asking[ticket]
            return {"refused": "no pedal was pressed; ask again"}
        return {"waiting": round(left_s)}

    def confirm(self, now_s: float) -> str:
        """Pair the one phone that waits, as the pedal was pressed; return a line for the log."""
        waiting = [
            asking
            for asking in self._asking.values()
            if asking.answer is None
            and now_s - asking.heard_s <= HEARD_S
            and now_s - asking.asked_s <= ASKING_S
        ]
        if not waiting:
            return "a pedal asks to pair a phone, but none waits"
        if len(waiting) > 1:
            for asking in waiting:
                asking.answer = {"refused": f"{len(waiting)} phones asked at once: one at a time"}
            return f"a pedal asks to pair a phone, but {len(waiting)} wait: none is paired"
        try:
            self._check_room()
            phone = self._keep(secrets.token_hex(PHONE_KEY_BYTES), "pedal")
        except (CommandError, StoreError) as error:
            waiting[0].answer = {"refused": str(error)}
            return str(error)
        waiting[0].answer = {"key": phone.key}
        return f"paired phone {phone.name}, by a pedal"

    # ------------------------------------------------------------ kept and revoked

    def revoke(self, name: str) -> list[str]:
        """Forget a phone, or ``all`` and every link that waits; return the names.

        Raises:
            CommandError: there is no such phone.
            StoreError: it can't be written; it is forgotten until the next start.
        """
        names = [phone.name for phone in self.phones]
        if name != "all":
            if name not in self._phones:
                allowed = ", ".join(["all", *names])
                raise CommandError(f"phone: found {name[:40]}; allowed: {allowed}")
            names = [name]
        else:
            self._links.clear()
            self._asking.clear()
        for known in names:
            del self._phones[known]
        self._write()
        self.fault = ""
        return names

    def _check_room(self) -> None:
        if self.fault:
            raise CommandError(self.fault)
        if len(self._phones) >= MOST_PHONES:
            raise CommandError(f"{MOST_PHONES} phones are paired; revoke one first")

    def _keep(self, key: str, by: str) -> Phone:
        self._check_room()
        phone = Phone(phone_name(key), key, round(time.time(), 1), by)
        self._phones[phone.name] = phone
        try:
            self._write()
        except StoreError:
            del self._phones[phone.name]
            raise
        return phone

    def _read(self) -> None:
        try:
            with self._path.open("rb") as file:
                mode = os.fstat(file.fileno()).st_mode
                listed = json.loads(file.read(LARGEST_FILE))
            phones = [Phone(**entry) for entry in listed["phones"]]
            self._phones = {phone_name(phone.key): phone for phone in phones}
        except FileNotFoundError:
            return
        except OSError as error:
            self.fault = f"{self._path}: can't be read: {error.strerror}"
            return
        except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
            again = "zerobeat page --revoke all begins a new one"
            self.fault = f"{self._path}: is damaged, so no phone is paired; {again}"
            return
        if mode & 0o077:  # somebody made it readable
            with contextlib.suppress(StoreError):
                self._write()

    def _write(self) -> None:
        """Replace the file: the old or the new one is there, whole, and on the disk."""
        entries = [
            {"name": p.name, "key": p.key, "since_s": p.since_s, "by": p.by} for p in self.phones
        ]
        content = json.dumps({"phones": entries}, indent=1).encode()
        temporary = self._path.with_suffix(".tmp")
        try:
            self._path.parent.mkdir(mode=_FOLDER_MODE, parents=True, exist_ok=True)
            with contextlib.suppress(FileNotFoundError):
                temporary.unlink()
            flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC
            file = os.open(temporary, flags, _FILE_MODE)
            try:
                os.write(file, content)
                os.fsync(file)
            finally:
                os.close(file)
            temporary.replace(self._path)
            folder = os.open(self._path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            raise StoreError(f"{self._path}: can't be written: {error.strerror}") from None
