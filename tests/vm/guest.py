"""What the scenarios of the installed service share. Runs in the guest, as root, without pytest."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Collection
from pathlib import Path
from types import FunctionType
from typing import Self

HERE = Path(__file__).resolve().parent
PYTHON = "/opt/zerobeat/current/bin/python"
LABS_PYTHON = "/opt/venv/bin/python"  # has python-rtmidi where the program is not installed
UNIT = "zerobeat.service"
RIG = Path("/etc/zerobeat/rig.yaml")
STATE = Path("/var/lib/zerobeat")
KEYS = ("Stage Keys", "MIDI 1")
QUAD = ("quad", "in")
VOICES = 8
ON, OFF = "903c64", "803c40"
# Each voice sounds 20 cents and more too high, so it is sent that much lower: a bend of
# -cents / 200 * 8192 steps around 8192 (MIDI 1.0 Detailed Specification, Pitch Bend Change).
CENTS = [20.0 + number for number in range(VOICES)]
SLOW_S = 60.0  # for a guest on an idle host; every wait grows with PATIENCE


def slowness() -> float:
    """Return how many times longer a loop takes here than on a machine of 2020.

    The guest is emulated and its host is busy: a bound in seconds counts times this.
    """
    times_s = []
    for _ in range(3):
        start_s = time.monotonic()
        for _ in range(1_000_000):
            pass
        times_s.append(time.monotonic() - start_s)
    return max(1.0, sorted(times_s)[1] / 0.025)


IDLE_SLOWNESS = 10.0  # of a guest on an idle host
PATIENCE = max(1.0, slowness() / IDLE_SLOWNESS)


def bends() -> list[str]:
    """Return the bend that each voice's note-on must stand on, in hexadecimal."""
    steps = [8192 - round(cents / 200.0 * 8192.0) for cents in CENTS]
    return [bytes((0xE0 | n, step & 127, step >> 7)).hex() for n, step in enumerate(steps)]


def sh(line: str, check: bool = True, timeout_s: float = 300.0) -> str:
    """Run a shell line and return what it says."""
    done = subprocess.run(
        ["bash", "-c", line],
        capture_output=True,
        text=True,
        timeout=timeout_s,
        stdin=subprocess.DEVNULL,
    )
    if check and done.returncode:
        raise AssertionError(f"{line}: exit {done.returncode}\n{done.stdout}{done.stderr}")
    return (done.stdout + done.stderr).strip()


def wait(what: str, found: Callable[[], object], timeout_s: float = SLOW_S) -> float:
    """Wait until it is true, as long as this guest may need; return after how many seconds."""
    timeout_s *= PATIENCE
    start_s = time.monotonic()
    while True:
        look_s = time.monotonic()
        if found():
            break
        if time.monotonic() - start_s > timeout_s:
            raise TimeoutError(f"{what}: not within {timeout_s:g} s\n{journal(30)}")
        # A look that starts processes must not take the guest's time from what it waits for.
        time.sleep(min(max(0.01, 3 * (time.monotonic() - look_s)), 3.0))
    return time.monotonic() - start_s


class Peer:
    """A program with a port, see peer.py; what a sink hears is in ``heard`` with its time."""

    def __init__(self, kind: str, name: str, port: str) -> None:
        self._process = subprocess.Popen(
            [
                PYTHON if os.path.exists(PYTHON) else LABS_PYTHON,
                str(HERE / "peer.py"),
                kind,
                name,
                port,
            ],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self._process.stdout.readline().strip() == "up"
        self.heard: list[tuple[float, str]] = []
        self.done = 0
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        for line in self._process.stdout:
            self.heard.append((time.monotonic(), line.strip()))

    def say(self, text: str) -> None:
        self._process.stdin.write(f"{text}\n")
        self._process.stdin.flush()

    def wait_done(self) -> None:
        """Wait until one more of "on" and "off" is done, by a peer that blinks."""
        self.done += 1
        wait("done", lambda: len(self.heard) >= self.done)

    def words(self, after: int = 0) -> list[str]:
        return [word for _, word in self.heard[after:]]

    def open_notes(self) -> set[str]:
        """Return what sounds: channel and note of each note-on without its note-off."""
        sounding: set[str] = set()
        for word in self.words():
            if word[0] == "9":
                sounding.add(word[1:4])
            elif word[0] == "8":
                sounding.discard(word[1:4])
        return sounding

    def kill(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *exc: object) -> None:
        self.kill()


def source() -> Peer:
    return Peer("source", *KEYS)


def sink() -> Peer:
    return Peer("sink", *QUAD)


# ---------------------------------------------------------------- the service


def write_rig(
    keys: str = ":".join(KEYS), quad: str = ":".join(QUAD), more: str = "", voices: str = ""
) -> None:
    """Write a rig of eight measured voices that all play each key.

    ``more`` stands at its end, ``voices`` in the line of each voice.
    """
    lines = ["inputs:", f'  keys: {{port: "{keys}"}}', "converters:"]
    lines += [f'  quad: {{port: "{quad}", converter: {{gate_gap_ms: 2}}}}', "voices:"]
    folder = RIG.parent / "profiles"
    folder.mkdir(exist_ok=True)
    for number, cents in enumerate(CENTS, 1):
        lines.append(f"  v{number}: {{converter: quad, channel_number: {number}{voices}}}")
        rows = "".join(f"  - {{note: {note}, cents: {cents}}}\n" for note in range(36, 85, 6))
        (folder / f"v{number}.yaml").write_text(f"voice: v{number}\nreadings:\n{rows}")
    RIG.write_text("\n".join(lines) + f"\n{more}")


def start() -> None:
    sh(f"systemctl restart {UNIT}")


def show(what: str) -> str:
    return sh(f"systemctl show {UNIT} -P {what}")


def pid() -> int:
    return int(show("MainPID"))


def journal(lines: int = 200) -> str:
    return sh(f"journalctl -u {UNIT} -o cat --no-pager -n {lines}", check=False)


def status() -> dict:
    import json

    return json.loads(sh("zerobeat status --once --json"))


def memory_mb() -> dict[str, float]:
    """Return resident memory of the daemon in MB (1,000,000 bytes)."""
    text = Path(f"/proc/{pid()}/status").read_text()
    found = re.findall(
        r"^(VmRSS|RssAnon|RssFile|RssShmem|VmLck|VmHWM):\s+(\d+) kB", text, re.MULTILINE
    )
    return {name: round(int(kb) * 1024 / 1e6, 2) for name, kb in found}


def descriptors() -> int:
    return len(os.listdir(f"/proc/{pid()}/fd"))


def clients() -> int:
    listing = Path("/proc/asound/seq/clients").read_text()
    return int(listing.partition("cur  clients : ")[2].split()[0])


def plays(keys: Peer, quad: Peer, timeout_s: float = SLOW_S) -> float:
    """Press a key until all voices sound corrected; release it; return after how long.

    Every voice must get its own bend before its note-on, and its note-off.
    """
    timeout_s *= PATIENCE
    start_s = time.monotonic()
    before = len(quad.heard)
    while True:
        at = len(quad.heard)
        keys.say(ON)
        end_s = time.monotonic() + 0.5 * PATIENCE
        while time.monotonic() < end_s and len(sounds(quad, at)) < VOICES:
            time.sleep(0.002)
        if len(sounds(quad, at)) == VOICES:
            break
        keys.say(OFF)
        if time.monotonic() - start_s > timeout_s:
            raise TimeoutError(f"no notes: {quad.words(before)[-40:]}\n{journal(20)}")
    took_s = time.monotonic() - start_s
    check_bends(quad)
    keys.say(OFF)
    wait("note-offs", lambda: not quad.open_notes(), 10.0)
    return took_s


def press(keys: Peer, quad: Peer) -> int:
    """Hold a key that sounds all voices; return where in ``heard`` that begins."""
    at = len(quad.heard)
    keys.say(ON)
    wait("note-ons", lambda: len(sounds(quad, at)) == VOICES, 10.0)
    return at


def sounds(quad: Peer, after: int) -> set[str]:
    return {word[1] for word in quad.words(after) if word[0] == "9"}


def check_bends(quad: Peer) -> None:
    """Check the bend that stands on each channel as its last note-on comes."""
    bent: dict[str, str] = {}
    at_note: dict[str, str] = {}
    for word in quad.words():
        if word[0] == "e":
            bent[word[1]] = word
        elif word[0] == "9":
            at_note[word[1]] = bent.get(word[1], "none")
            assert word[2:] == "3c64", word
    assert [at_note[f"{n:x}"] for n in range(VOICES)] == bends(), (at_note, bends())


def both_connected() -> bool:
    return show("StatusText").count("connected: input keys, output quad") == 1 or all(
        port["state"] == "connected" for port in status()["ports"]
    )


def main(by_name_alone: Collection[Callable[[], None]] = ()) -> int:
    """Run the scenarios whose name holds the word given; return the exit status.

    A scenario is a function of the program's own file, in its order, that has a docstring, no
    arguments and no underscore before its name. ``by_name_alone`` run if the word is their name.
    """
    import traceback

    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    failed = 0
    for scenario in tuple(vars(sys.modules["__main__"]).values()):
        if (
            not isinstance(scenario, FunctionType)
            or scenario.__module__ != "__main__"
            or scenario.__name__.startswith("_")
            or not scenario.__doc__
            or scenario.__code__.co_argcount
            or wanted not in scenario.__name__
            or (scenario in by_name_alone and wanted != scenario.__name__)
        ):
            continue
        start_s = time.monotonic()
        try:
            scenario()
        except Exception:  # noqa: BLE001  # the other scenarios run
            failed += 1
            traceback.print_exc()
            print(f"FAILED {scenario.__name__}", flush=True)
        else:
            print(f"ok     {scenario.__name__} ({time.monotonic() - start_s:.1f} s)", flush=True)
    return 1 if failed else 0
