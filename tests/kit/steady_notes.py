"""A thousand messages a second from one process to another, over JACK, and none is lost by either.

    with SteadyPlayer("keys", server) as keys, QueueRecorder("octo", server) as octo:
        server.connect("keys:out", "octo:in")
        keys.start()
        ...
        assert keys.stop() == octo.heard()

What this process does meanwhile, such as holding its interpreter, changes nothing.
"""

from __future__ import annotations

import subprocess
import sys
from typing import Self

from kit.jack import JackServer

# Each note is unlike every other within fifteen seconds.
_PLAYER = """\
import select, sys, time, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=sys.argv[1])
out.open_virtual_port("out")
print("ready", flush=True)
sys.stdin.readline()
number, due_s = 0, time.monotonic()
while not select.select([sys.stdin], [], [], 0)[0]:
    key, velocity = 36 + number % 60, 1 + number // 60 % 127
    for content in ((0x90, key, velocity), (0x80, key, 64)):
        due_s += 0.001
        time.sleep(max(0.0, due_s - time.monotonic()))
        out.send_message(content)
    number += 1
print(number, flush=True)
sys.stdin.readline()
"""
# The library's queue needs no interpreter.
_RECORDER = """\
import sys, rtmidi
heard = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, sys.argv[1], 100000)
heard.open_virtual_port("in")
print("ready", flush=True)
for line in sys.stdin:
    while event := heard.get_message():
        print(bytes(event[0]).hex())
    print(".", flush=True)
"""


class _Peer:
    code = ""

    def __init__(self, name: str, server: JackServer) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", self.code, name],
            env=dict(server.environment),
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdin is not None and self._process.stdout is not None
        self._stdin, self._stdout = self._process.stdin, self._process.stdout
        assert self._stdout.readline() == "ready\n"

    def _go_on(self) -> None:
        self._stdin.write("\n")
        self._stdin.flush()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


class SteadyPlayer(_Peer):
    """A keyboard, ``name:out``: a note-on, its note-off a millisecond later, and so on."""

    code = _PLAYER

    def start(self) -> None:
        self._go_on()

    def stop(self) -> list[bytes]:
        """Return all that was sent."""
        self._go_on()
        sent: list[bytes] = []
        for number in range(int(self._stdout.readline())):
            key, velocity = 36 + number % 60, 1 + number // 60 % 127
            sent += bytes((0x90, key, velocity)), bytes((0x80, key, 64))
        return sent


class QueueRecorder(_Peer):
    """A converter, ``name:in``."""

    code = _RECORDER

    def __init__(self, name: str, server: JackServer) -> None:
        super().__init__(name, server)
        self._heard: list[bytes] = []

    def heard(self) -> list[bytes]:
        """Return all that has come so far."""
        self._go_on()
        self._heard += map(bytes.fromhex, iter(self._stdout.readline, ".\n"))
        return list(self._heard)
