"""The small case behind a control socket, and ``zerobeat page`` that serves it.

with PageHarness(folder) as page:
    page.until(lambda: page.get("/")[0] == 200)
"""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from kit.control_socket import ControlSocketHarness
from zerobeat.page.pairing import phone_name, signature

PATIENCE_S = 20.0
Event = tuple[str, dict[str, Any]]


def free_port() -> int:
    """Return a port that nobody has."""
    with socket.socket() as link:
        link.bind(("127.0.0.1", 0))
        return int(link.getsockname()[1])


class PageHarness:
    """``zerobeat page`` on a port of its own, and a daemon that this test runs.

    Args:
        folder: of both; the state directory is in it.
        arguments: of ``zerobeat page``, besides its address.
    """

    def __init__(self, folder: Path, arguments: Sequence[str] = (), port: int = 0) -> None:
        self.folder = folder
        self.port = port or free_port()
        own = ("--address", f"127.0.0.1:{self.port}")
        self._arguments = tuple(arguments) if port else (*own, *arguments)
        self.desk: ControlSocketHarness | None = ControlSocketHarness(folder)
        self.environment = {
            "PATH": "/usr/bin:/bin",
            "RUNTIME_DIRECTORY": str(folder),
            "STATE_DIRECTORY": str(folder / "state"),
            "PYTHONPATH": ":".join(path for path in sys.path if path),
            "TZ": "UTC",
        }
        self._log = folder / "page.log"
        self.start()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @classmethod
    def of_the_rig(cls, folder: Path, port: int, *arguments: str) -> PageHarness:
        """Serve it where ``page.wanted`` says, which is this port."""
        return cls(folder, arguments, port)

    def start(self) -> None:
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "zerobeat", "page", *self._arguments],
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        self.until(lambda: f"at {self.address}/" in self.log(), "its address")

    def stop(self) -> int:
        self.process.terminate()
        return self.process.wait(PATIENCE_S)

    def log(self) -> str:
        return self._log.read_text()

    def turn(self) -> None:
        """Let the daemon work for a moment."""
        if self.desk is None:
            time.sleep(0.01)
        else:
            self.desk.turn(0.01)

    def until(self, true: Callable[[], bool], what: str = "it") -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not true():
            if self.process.poll() is not None or time.monotonic() > end_s:
                raise TimeoutError(f"waited for {what}; the log says\n{self.log()}")
            self.turn()

    def run(self, *arguments: str) -> subprocess.CompletedProcess[str]:
        """Run another command of zerobeat's beside them."""
        process = subprocess.Popen(
            [sys.executable, "-m", "zerobeat", *arguments],
            env=self.environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.until(lambda: process.poll() is not None, f"{arguments}")
        out, err = process.communicate()
        return subprocess.CompletedProcess(arguments, process.returncode, out, err)

    def ask(self, command: str, **values: str) -> dict[str, Any]:
        """Ask as ``zerobeat page --pair`` and its like do, without starting one."""
        with socket.socket(socket.AF_UNIX) as link:
            link.settimeout(PATIENCE_S)
            link.connect(str(self.folder / "page"))
            link.sendall(json.dumps({"command": command, **values}).encode() + b"\n")
            return dict(json.loads(link.makefile().readline()))

    def new_daemon(self) -> None:
        """Begin with a daemon that has just started, which the page finds by itself."""
        assert self.desk is not None
        self.desk.close()
        self.desk = ControlSocketHarness(self.folder)
        control = self.desk.control
        assert control is not None
        self.until(lambda: any(c.follow_s for c in control._clients), "the page's link")
        self.stream(lambda found: dict(found).get("alive", {}).get("trouble") == "")

    # ------------------------------------------------------------ requests

    def connect(self) -> socket.socket:
        link = socket.create_connection(("127.0.0.1", self.port), PATIENCE_S)
        link.setblocking(False)
        return link

    def exchange(self, raw: bytes) -> bytes:
        """Send bytes and return all that comes back."""
        with self.connect() as link:
            link.sendall(raw)
            return self.rest(link)

    def rest(self, link: socket.socket) -> bytes:
        """Return what comes until the end."""
        received = b""
        end_s = time.monotonic() + PATIENCE_S
        while time.monotonic() < end_s:
            self.turn()
            try:
                part = link.recv(65_536)
            except BlockingIOError:
                continue
            except ConnectionResetError:
                part = b""
            if not part:
                return received
            received += part
        raise TimeoutError(f"no end after {received!r}")

    def request(
        self, path: str, body: bytes | None = None, method: str = "", **headers: str
    ) -> tuple[int, dict[str, str], bytes]:
        """Return status, headers and body; ``headers`` replace the usual ones."""
        usual = {"host": f"127.0.0.1:{self.port}"}
        if body is not None:
            usual |= {"origin": self.address, "content-type": "application/json"}
            usual["content-length"] = str(len(body))
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        lines = [f"{method or ('GET' if body is None else 'POST')} {path} HTTP/1.1"]
        lines += [f"{name}: {value}" for name, value in (usual | named).items() if value != "none"]
        raw = ("\r\n".join(lines) + "\r\n\r\n").encode("latin-1") + (body or b"")
        head, _, rest = self.exchange(raw).partition(b"\r\n\r\n")
        first, *others = head.decode("latin-1").split("\r\n")
        pairs = (line.partition(": ") for line in others)
        return int(first.split()[1]), {name.lower(): value for name, _, value in pairs}, rest

    def post(self, path: str, **values: Any) -> tuple[int, dict[str, Any]]:
        status, _, body = self.request(path, json.dumps(values).encode())
        return status, json.loads(body) if status == 200 else {"error": body.decode()}

    def events(self, count: int = 4) -> list[Event]:
        """Return the first events of the live stream."""
        return self.stream(lambda found: len(found) >= count)[:count]

    def stream(self, enough: Callable[[list[Event]], bool]) -> list[Event]:
        """Return the events of one live stream, up to where they are enough."""
        found: list[Event] = []
        received = b""
        end_s = time.monotonic() + PATIENCE_S
        with self.connect() as link:
            link.sendall(f"GET /live HTTP/1.1\r\nhost: 127.0.0.1:{self.port}\r\n\r\n".encode())
            while not enough(found):
                if time.monotonic() > end_s:
                    raise TimeoutError(f"the stream said {found[-3:]} and {received[:300]!r}")
                self.turn()
                with contextlib.suppress(BlockingIOError):
                    received += link.recv(65_536)
                *blocks, received = received.split(b"\n\n")
                for block in blocks:
                    name, _, line = block.decode().partition("\ndata: ")
                    if name.startswith("event: "):
                        found.append((name.removeprefix("event: "), json.loads(line)))
        return found

    def hello(self) -> dict[str, Any]:
        """Return what the page says first, once it knows the daemon."""
        return dict(self.stream(lambda found: "picture" in dict(found)))["hello"]

    def pair(self) -> PhoneHarness:
        """Pair a phone by a link."""
        key = self.ask("pair")["links"][0].partition("#pair=")[2]
        phone = PhoneHarness(self, key, self.hello()["run"])
        name = phone.name
        sign = signature(key, phone.run, "pair", name)
        status, answer = self.post("/pair", phone=name, sign=sign)
        assert (status, answer) == (200, {"paired": name})
        return phone

    def close(self) -> None:
        if self.process.poll() is None:
            self.stop()
        if self.desk is not None:
            self.desk.close()

    def __enter__(self) -> PageHarness:
        return self

    def __exit__(self, kind: object, *exc: object) -> None:
        if kind is not None:
            print("log of the page:", self.log(), sep="\n")
        self.close()


class PhoneHarness:
    """A paired phone that signs its presses."""

    def __init__(self, page: PageHarness, key: str, run: str) -> None:
        self._page = page
        self.key, self.run, self.name = key, run, phone_name(key)
        self.number = 0

    def body(self, text: str, number: int) -> dict[str, Any]:
        sign = signature(self.key, self.run, str(number), text)
        return {"phone": self.name, "press": number, "command": text, "sign": sign}

    def press(self, number: int = 0, **command: Any) -> tuple[int, dict[str, Any]]:
        """Send a command and return status and answer; ``number`` repeats an earlier press."""
        if not number:
            self.number += 1
        text = json.dumps(command)
        return self._page.post("/press", **self.body(text, number or self.number))
