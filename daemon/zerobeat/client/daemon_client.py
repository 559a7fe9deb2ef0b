"""Talks to a running daemon over its control socket; see ``ports/control.py``."""

from __future__ import annotations

import grp
import json
import os
import pwd
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ..errors import CommandError, ControlError, MeasuringStoppedError, NotRunningError
from ..runtime_directory import SOCKET, SOCKET_VERSION, runtime_directory

SERVICE_FOLDER = Path("/run/zerobeat")  # systemd's RuntimeDirectory=zerobeat
ANSWER_S = 5.0  # the daemon answers in milliseconds; a picture may take a quarter of a second
LONGEST_ANSWER = 4_000_000


def socket_paths() -> list[Path]:
    """Return where a daemon may be found: the player's own, then the service's."""
    own, service = runtime_directory() / SOCKET, SERVICE_FOLDER / SOCKET
    return [own] if own == service else [own, service]


class Client:
    """One connection to a daemon.

    Args:
        path: its socket; None looks in the usual places.
        within_s: how long to wait for an answer.
        role: what it needs to be: "view", "stage", "measure" or "all"; see docs/control.md.
            None asks for nothing: it may then do what its user and group allow.

    Raises:
        ControlError: no daemon runs there, or access is denied.
    """

    def __init__(
        self, path: Path | None = None, within_s: float = ANSWER_S, role: str | None = None
    ) -> None:
        self._link = _connect(path)
        self._within_s = within_s
        self._received = b""
        self._id = 0
        self._role_id: int | None = None
        if role is not None:
            self.send("role", role=role)
            self._role_id = self._id

    def fileno(self) -> int:
        return self._link.fileno()

    def ask(self, command: str, **values: Any) -> dict[str, Any]:
        """Return the answer to one command.

        Raises:
            CommandError: the daemon refuses; its line says why. A measuring run that the
                player has ended is refused with ``MeasuringStoppedError``.
            ControlError: it stopped, or does not answer.
        """
        self.send(command, **values)
        end_s = time.monotonic() + self._within_s
        while True:
            for answer in self.answers():
                if answer.get("id") in (self._id, None):
                    return _checked(answer)
                if answer.get("id") == self._role_id:
                    _checked(answer)
            left_s = end_s - time.monotonic()
            if left_s <= 0:
                raise ControlError(f"zerobeat does not answer within {self._within_s:g} s")
            self._receive(left_s)

    def send(self, command: str, **values: Any) -> None:
        """Send one command without waiting for its answer."""
        self._id += 1
        request = {"zerobeat": SOCKET_VERSION, "id": self._id, "command": command, **values}
        self._link.settimeout(ANSWER_S)
        try:
            self._link.sendall(json.dumps(request).encode() + b"\n")
        except OSError:
            raise ControlError("zerobeat has stopped or takes no more commands") from None

    @property
    def last_id(self) -> int:
        """The id of the last request."""
        return self._id

    def answers(self) -> Iterator[dict[str, Any]]:
        """Yield the answers that have been received completely."""
        while (end := self._received.find(b"\n")) >= 0:
            line, self._received = self._received[:end], self._received[end + 1 :]
            try:
                answer = json.loads(line)
            except ValueError:
                answer = None
            if not isinstance(answer, dict):
                raise ControlError("found no JSON in an answer; is that socket zerobeat's?")
            yield answer

    def status(self) -> dict[str, Any]:
        """Return the current status."""
        shown = self.ask("status").get("status")
        return shown if isinstance(shown, dict) else {}

    def hear(self) -> None:
        """Receive what has arrived; to be called when the socket is readable."""
        self._receive(0.0)

    def _receive(self, timeout_s: float) -> None:
        self._link.settimeout(timeout_s)
        try:
            content = self._link.recv(1 << 16)
        except (BlockingIOError, TimeoutError):
            return
        except OSError:
            content = b""
        if not content:
            raise ControlError("zerobeat has stopped")
        self._received += content
        if len(self._received) > LONGEST_ANSWER:
            raise ControlError("found an answer without end; is that socket zerobeat's?")

    def close(self) -> None:
        self._link.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


def _checked(answer: dict[str, Any]) -> dict[str, Any]:
    if "stopped_by" in answer:
        raise MeasuringStoppedError(str(answer["stopped_by"]))
    if answer.get("ok") is not True:
        raise CommandError(str(answer.get("error", "refused without a reason")))
    return answer


def _connect(path: Path | None) -> socket.socket:
    paths = socket_paths() if path is None else [path]
    for place in paths:
        link = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC)
        link.settimeout(ANSWER_S)
        try:
            link.connect(os.fspath(place))
        except PermissionError:
            link.close()
            raise ControlError(f"{place}: permission denied; {_remedy(place)}") from None
        except OSError:
            link.close()
            continue
        return link
    raise NotRunningError(
        f"no zerobeat plays here (socket {paths[0]}); start it: zerobeat run rig.yaml"
    )


def _remedy(place: Path) -> str:
    """Return how to get access: by the group of the socket, or of its folder."""
    for found in (place, place.parent):
        try:
            known = found.stat()
            owner = pwd.getpwuid(known.st_uid).pw_name
            group = grp.getgrgid(known.st_gid).gr_name
        except (OSError, KeyError):
            continue
        return f"run it as {owner}, or join its group: sudo usermod -aG {group} $USER; log in again"
    return "run it as the user who started zerobeat"
