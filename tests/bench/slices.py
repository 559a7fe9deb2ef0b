"""What a key may wait for while the worst lines are served: the longest slice of the loop.

``zerobeat run`` with 64 voices on four converters over JACK, asked the worst lines that it
takes, one kind after the other. A hook in the daemon notes the processor time of its thread
between two moments at which it serves notes, other processes left out: a slice. A key that
comes at the worst moment waits for one. What a message interrupts is no slice, but for the
calls within it that run to their end, such as the parsing of a line.

Bound: no slice over 5 ms.

    .venv/bin/python tests/bench/slices.py [ROUNDS]
"""

from __future__ import annotations

import json
import os
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender
from zerobeat.client.daemon_client import Client
from zerobeat.errors import ZerobeatError

ROUNDS = 5
BOUND_MS = 5.0
VOICES = 64

HOOK = """\
import json, os, signal, time
from zerobeat.runtime import note_path, runner
clock = time.thread_time
slices, where = {}, ["start", ""]
begun = [None]
interrupted = [False]
def note(spent):
    key = " ".join(where)
    if spent > slices.get(key, 0.0):
        slices[key] = spent
def end():
    if begun[0] is not None:
        note(clock() - begun[0])
    begun[0] = None
def around(kind, name):
    real = getattr(kind, name)
    def served(self, *args):
        end()
        try:
            return real(self, *args)
        finally:
            begun[0] = None if interrupted[0] else clock()
    setattr(kind, name, served)
around(note_path.NotePath, "catch_up")
around(runner.Runner, "_play")
around(runner.Runner, "_wait")
from zerobeat.ports.interruptions import Interruptions
enter, leave = Interruptions.__enter__, Interruptions.__exit__
def entered(self):
    end()
    enter(self)
    interrupted[0], begun[0] = True, None
def left(self, *args):
    interrupted[0] = False
    leave(self, *args)
    begun[0] = clock()
Interruptions.__enter__, Interruptions.__exit__ = entered, left
def whole(module, name):
    real = getattr(module, name)
    def called(*args, **values):
        begun_s = clock()
        try:
            return real(*args, **values)
        finally:
            if interrupted[0]:
                note(clock() - begun_s)
    setattr(module, name, called)
whole(json, "loads")
whole(json, "dumps")
stage = runner.Runner._stage
def staged(self, name, act, *args):
    where[0] = name
    stage(self, name, act, *args)
runner.Runner._stage = staged
from zerobeat.runtime.clients import SocketClients
answer = SocketClients._answer
def answered(self, request):
    where[1] = str(request.get("command"))[:20]
    return answer(self, request)
SocketClients._answer = answered
def write(*unused):
    with open(os.environ["SLICES"] + ".new", "w") as file:
        json.dump(slices, file)
    os.replace(os.environ["SLICES"] + ".new", os.environ["SLICES"])
    slices.clear()
handled = runner.handle_signals
def handle(*args):
    handled(*args)
    signal.signal(signal.SIGUSR1, write)
runner.handle_signals = handle
"""


def worst_lines() -> Iterator[tuple[str, list[dict[str, Any]]]]:
    """Return lines near all bounds at once, by what they try."""
    cents = [round(1.2 * step, 2) for step in range(1, 1000)]
    for command, place in (("set", {"voice": "all"}), ("set_scene", {})):
        many = {f"voyce{n}x": 1 for n in range(900)}
        yield (
            f"{command}, wrong keys",
            [{"command": command, **place, "changes": many}],
        )
    yield "a long scale for all", [{"command": "set", "voice": "all", "changes": {"scale": cents}}]
    yield "store after it", [{"command": "store", "scene": "s"}] * 4
    yield "status after it", [{"command": "status"}] * 3
    each = [
        {"command": "set", "voice": f"v{n}", "changes": {"scale": [*cents[:-1], 1200 + n]}}
        for n in range(VOICES)
    ]
    yield "a long scale of its own for each", each
    yield "store after that", [{"command": "store", "scene": "t"}] * 4
    yield "recall what has it", [{"command": "recall", "scene": s} for s in ("one", "t") * 3]
    yield "undo of that", [{"command": "undo"}] * 4
    yield (
        "set all after that",
        [{"command": "set", "voice": "all", "changes": {"detune_cents": n}} for n in range(4)],
    )
    yield (
        "bypass, solo, mute",
        [
            {"command": c, "voice": "all", "on": on}
            for c in ("bypass", "solo", "mute")
            for on in (True, False)
            if not (on and c != "bypass")
        ],
    )
    yield "tonight", [{"command": "tonight", "concert_a_hz": 440 + n} for n in range(4)]
    yield "a set list", [{"command": "tonight", "set_list": ["one"] * 1000}]
    yield "a set list of wrong names", [{"command": "tonight", "set_list": ["x" * 12] * 1000}]
    yield "wrong items", [{"command": "set", "voice": "all", "changes": {"scale": ["x"] * 1000}}]
    yield "long names", [{"command": "recall", "scene": "o" * 4000}] * 3
    yield (
        "a profile",
        [
            {
                "command": "put_profile",
                "voice": "v0",
                "profile": {"readings": [{"note": n % 128, "cents": 1.0} for n in range(1500)]},
            }
        ],
    )
    yield (
        "zones",
        [
            {
                "command": "set_scene",
                "changes": {"zones": [{"voices": [f"v{n}"], "keys": "C1-C4"} for n in range(64)]},
            }
        ],
    )
    yield (
        "zones of wrong voices",
        [{"command": "set_scene", "changes": {"zones": [{"voices": ["w1"] * 30}] * 30}}],
    )
    voices = {f"v{n}": {"detune_cents": 3, "octaves": 1} for n in range(64)}
    yield "all voices of a scene", [{"command": "set_scene", "changes": {"voices": voices}}]
    yield (
        "a scale written out",
        [
            {
                "command": "set",
                "voice": "all",
                "changes": {"scale": {"name": "own", "cents": cents}},
            }
        ],
    )
    yield "panic", [{"command": "panic"}] * 4
    yield "bindings", [{"command": "bindings"}] * 4
    yield "deep", [{"command": "set", "voice": "all", "changes": _deep(9)}]
    yield "reload", [{"command": "reload"}] * 2


def _deep(depth: int) -> dict[str, Any]:
    return {"scale": {f"k{n}": _deep(depth - 1) for n in range(2)}} if depth else {}


def main() -> int:
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else ROUNDS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "sitecustomize.py").write_text(
            "import sys\nif sys.orig_argv[-2:-1] == ['run']:\n    import slices_hook\n"
        )
        (folder / "slices_hook.py").write_text(HOOK)
        (folder / "rig.yaml").write_text(rig_text())
        (folder / "scenes").mkdir()
        (folder / "scenes/one.yaml").write_text("title: one\nhold: none\n")
        with JackServer() as server, MidiSender("keys"), MidiRecorder("octo0"):
            environment = dict(server.environment) | {
                "PYTHONPATH": f"{folder}:{os.environ.get('PYTHONPATH', '')}",
                "SLICES": str(folder / "slices"),
            }
            with DaemonProcess(folder / "rig.yaml", environment) as daemon:
                daemon.wait_for_line("connected: input keys")
                time.sleep(1.0)
                take(daemon, folder)
                return measure(daemon, folder, rounds)


def rig_text() -> str:
    ports = "".join(f'  octo{c}: {{port: "octo{c}:in", converter: {{}}}}\n' for c in range(4))
    voices = "".join(
        f"  v{n}: {{converter: octo{n // 16}, channel_number: {n % 16 + 1}}}\n"
        for n in range(VOICES)
    )
    return (
        f'inputs:\n  keys: {{port: "keys:out"}}\nconverters:\n{ports}voices:\n{voices}'
        "scenes: [one]\n"
    )


def take(daemon: DaemonProcess, folder: Path) -> dict[str, float]:
    """Return the longest slices since the last time, in ms, by where they were."""
    path = folder / "slices"
    path.unlink(missing_ok=True)
    daemon.send(signal.SIGUSR1)
    while not path.exists():
        time.sleep(0.01)
    return {key: 1e3 * spent for key, spent in json.loads(path.read_text()).items()}


def measure(daemon: DaemonProcess, folder: Path, rounds: int) -> int:
    longest: dict[str, tuple[float, str]] = {}
    for _ in range(rounds):
        for what, lines in worst_lines():
            with Client(daemon.folder / "zerobeat/control") as client:
                for line in lines:
                    values = dict(line)
                    refused = ""
                    try:
                        if values == {"command": "status"}:
                            client.status()
                        else:
                            client.ask(values.pop("command"), **values)
                    except ZerobeatError as error:
                        refused = str(error)[:60]
                    if "-v" in sys.argv:
                        print(what, refused)
                time.sleep(0.3)  # the session is written
            for where, spent_ms in take(daemon, folder).items():
                if spent_ms > longest.get(what, (0.0, ""))[0]:
                    longest[what] = (spent_ms, where)
    for what, (spent_ms, where) in sorted(longest.items(), key=lambda one: -one[1][0]):
        print(f"{spent_ms:7.2f} ms  {what} (in {where})")
    worst_ms = max(spent_ms for spent_ms, _ in longest.values())
    passed = worst_ms <= BOUND_MS
    print(f"{'pass' if passed else 'FAIL'}  longest slice {worst_ms:.2f} ms, bound {BOUND_MS}")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
