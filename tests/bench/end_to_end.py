"""From a key to the last of its eight note-ons over JACK, against a bare echo.

``zerobeat run`` with eight voices in unison, each bent anew for every key, against a small
process of python-rtmidi alone that sends as many messages for each key: eight bends and eight
note-ons, eight note-offs. Both are on one server (period 32, asynchronous), and take turns in
pairs of runs. Each pair has a new server, where the other one starts first: a server runs its
clients in the order that they came, which is worth a period. The echo knows no gate gap, so the
rig's converter needs none. A key whose messages are not all there, or are more than asked for,
is counted as lost and voided.

Bounds: the median over the pairs of zerobeat's time divided by the echo's: 1.1 for the median of
a run, 1.5 for its 99.9th percentile.

    .venv/bin/python tests/bench/end_to_end.py [--busy] [NOTES [PAIRS]]

With ``--busy`` a console follows, four pictures a second, and a client changes a setting and
stores it every half second, all through zerobeat's runs.
"""

from __future__ import annotations

import contextlib
import gc
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import rtmidi

from kit.daemon_process import DaemonProcess, write_rig
from kit.jack import JackServer, MidiSender

NOTES = 5000
PAIRS = 6
VOICES = 8
BOUNDS = {"median": 1.1, "99.9 %": 1.5}
LOST_S = 0.05  # a message that has not come by then is lost
PRESSED = [0xE0] * VOICES + [0x90] * VOICES
RELEASED = [0x80] * VOICES
ALL_NOTES_OFF = (0xB0, 123, 0)
LOWEST_KEY, HIGHEST_KEY = 40, 80

ECHO = f"""\
import sys, rtmidi
out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="echo out")
out.open_virtual_port("out")
def hear(event, unused=None):
    status, key, velocity = event[0]
    channels = range({VOICES})
    if status & 0xF0 == 0x90:
        for channel in channels:
            out.send_message((0xE0 | channel, key, 60))
    for channel in channels:
        out.send_message((status & 0xF0 | channel, key, velocity))
heard = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="echo in")
heard.set_callback(hear)
heard.open_virtual_port("in")
print("ready", flush=True)
sys.stdin.read()
"""


CONSOLE = """\
import select
from zerobeat.client.daemon_client import Client
client = Client()
client.send("follow", at_most_hz=4)
while True:
    select.select([client], [], [], 60.0)
    client.hear()
    list(client.answers())
"""
STORING = """\
import time
from zerobeat.client.daemon_client import Client
client = Client()
number = 0
while True:
    number += 1
    client.ask("set", voice="v1", changes={"detune_cents": number % 50 / 10})
    client.ask("store")
    time.sleep(0.5)
"""


class Ear:
    """Hears one sender, and stamps the message that completes a key."""

    def __init__(self, name: str) -> None:
        self.heard: list[list[int]] = []
        self.wanted, self.at_s = 0, 0.0
        self.whole = threading.Event()
        self._in = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=name)
        self._in.set_callback(self._hear)
        self._in.open_virtual_port("in")

    def expect(self, count: int) -> None:
        self.whole.clear()
        self.heard, self.wanted = [], count

    def _hear(self, event: tuple[list[int], float], unused: object = None) -> None:
        self.heard.append(event[0])
        if len(self.heard) == self.wanted:
            self.at_s = time.monotonic()
            self.whole.set()

    def is_right(self, kinds: list[int], key: int) -> bool:
        """Return whether what was heard is of these kinds in turn, with the key's number."""
        return [content[0] & 0xF0 for content in self.heard] == kinds and all(
            content[1] == key for content in self.heard if content[0] & 0xF0 != 0xE0
        )

    def close(self) -> None:
        self._in.cancel_callback()
        self._in.close_port()
        self._in.delete()


def times_s(keys: MidiSender, ear: Ear, notes: int, seed: int) -> tuple[list[float], int]:
    """Return what each key took, shortest first, and how many were lost."""
    rng = random.Random(seed)
    found: list[float] = []
    key, lost = LOWEST_KEY, 0
    for _ in range(notes):
        key = rng.choice([k for k in range(LOWEST_KEY, HIGHEST_KEY) if k != key])
        time.sleep(rng.uniform(0.0, 0.0007))  # any moment of the server's period
        ear.expect(2 * VOICES)
        start_s = time.monotonic()
        keys.send((0x90, key, 100))
        ear.whole.wait(LOST_S)
        at_s, whole = ear.at_s, ear.is_right(PRESSED, key)
        ear.expect(VOICES)
        keys.send((0x80, key, 64))
        ear.whole.wait(LOST_S)
        if whole and ear.is_right(RELEASED, key):
            found.append(at_s - start_s)
        else:
            lost += 1
            keys.send(ALL_NOTES_OFF)  # a key whose note-off the server lost is held, rightly
            time.sleep(LOST_S)  # what is late is not taken for the next key's
    return sorted(found), lost


@contextlib.contextmanager
def echo(server: JackServer) -> Iterator[None]:
    process = subprocess.Popen(
        [sys.executable, "-c", ECHO],
        env=server.environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        assert process.stdout.readline() == b"ready\n"
        yield
    finally:
        process.stdin.close()
        process.wait(10.0)
        process.stdout.close()


def write_case(folder: Path) -> None:
    """Write a rig whose voices need another bend at every key, and whose gates need no gap."""
    (folder / "profiles").mkdir()
    rows = "".join(f"  - {{note: {n}, cents: {0.5 * (n - 60):g}}}\n" for n in range(30, 91))
    for voice in range(1, VOICES + 1):
        (folder / "profiles" / f"v{voice}.yaml").write_text(f"readings:\n{rows}")
    path = write_rig(folder, VOICES)
    text = path.read_text()
    assert "gate_gap_ms: 2" in text
    path.write_text(text.replace("gate_gap_ms: 2", "gate_gap_ms: 0"))


@contextlib.contextmanager
def daemon_alone() -> Iterator[tuple[DaemonProcess, MidiSender, Ear]]:
    """A daemon with the case of ``write_case`` on a server of its own, its keyboard and its ear."""
    with (
        tempfile.TemporaryDirectory() as folder,
        JackServer(period_frames=32, synchronous=False) as server,
        MidiSender("keys") as player,
        contextlib.closing(Ear("octo")) as ear,
    ):
        write_case(Path(folder))
        with DaemonProcess(Path(folder) / "rig.yaml", server.environment) as daemon:
            daemon.wait_for_line("connected: input keys, output octo")
            time.sleep(0.5)
            yield daemon, player, ear


def summary(found: list[float]) -> dict[str, float]:
    return {
        "median": statistics.median(found),
        "99.9 %": found[min(len(found) - 1, int(0.999 * len(found)))],
    }


Runs = dict[str, tuple[list[float], int]]


@contextlib.contextmanager
def clients(environment: dict[str, str]) -> Iterator[None]:
    """A console and a client that stores."""
    running = [
        subprocess.Popen([sys.executable, "-c", code], env=environment)
        for code in (CONSOLE, STORING)
    ]
    try:
        yield
        assert all(process.poll() is None for process in running), "a client ended"
    finally:
        for process in running:
            process.kill()
            process.wait()


def pair_of_runs(folder: Path, notes: int, first: str, seed: int, busy: bool) -> Runs:
    """Return the times and losses of both, on one new server."""
    names = ["zerobeat", "echo"] if first == "zerobeat" else ["echo", "zerobeat"]
    with contextlib.ExitStack() as stack:
        server = stack.enter_context(JackServer(period_frames=32, synchronous=False))
        ends: dict[str, tuple[MidiSender, Ear]] = {}
        for name in names:
            own = name == "zerobeat"
            player = stack.enter_context(MidiSender("keys" if own else "bare"))
            ear = stack.enter_context(contextlib.closing(Ear("octo" if own else "echoed")))
            ends[name] = (player, ear)
            if own:
                daemon = DaemonProcess(folder / "rig.yaml", server.environment)
                stack.enter_context(daemon)
                daemon.wait_for_line("connected: input keys, output octo")
            else:
                stack.enter_context(echo(server))
                server.connect("bare:out", "echo in:in")
                server.connect("echo out:out", "echoed:in")
        time.sleep(0.5)
        found: Runs = {}
        for name in names:
            with (
                clients(daemon.environment)
                if busy and name == "zerobeat"
                else contextlib.nullcontext()
            ):
                found[name] = times_s(*ends[name], notes, seed)
        return found


def main() -> int:
    busy = "--busy" in sys.argv
    numbers = [int(word) for word in sys.argv[1:] if word != "--busy"]
    notes = numbers[0] if numbers else NOTES
    pairs = numbers[1] if len(numbers) > 1 else PAIRS
    ratios: dict[str, list[float]] = {name: [] for name in BOUNDS}
    print("pair  zerobeat: median 99.9 %  lost   echo: median 99.9 %  lost   (ms)")
    gc.disable()
    for pair in range(pairs):
        with tempfile.TemporaryDirectory() as folder:
            write_case(Path(folder))
            first = ("zerobeat", "echo")[pair % 2]
            runs = pair_of_runs(Path(folder), notes, first, pair, busy)
        row = f"{pair + 1:4}"
        for name, (found, _lost) in runs.items():
            assert found, f"{name}: every key was lost"
        figures = {name: summary(found) for name, (found, _) in runs.items()}
        for name in ("zerobeat", "echo"):
            median, tail = (1e3 * value for value in figures[name].values())
            row += f" {median:16.3f} {tail:6.3f} {runs[name][1]:5}"
        print(row, flush=True)
        for name, found in ratios.items():
            found.append(figures["zerobeat"][name] / figures["echo"][name])
    passed = True
    for name, bound in BOUNDS.items():
        ratio = statistics.median(ratios[name])
        passed &= ratio <= bound
        each = " ".join(f"{found:.2f}" for found in ratios[name])
        verdict = "pass" if ratio <= bound else "FAIL"
        print(f"ratio, {name}: {ratio:.3f} of {each}  bound {bound}  {verdict}")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
