"""How long ``zerobeat run`` takes to play, and how much memory it holds.

From the start of the process to the first corrected note-on received: a keyboard presses a
key every 5 ms from the moment the daemon's input is connected. Measured on a JACK server of
its own, eight voices with profiles, after two starts that warm the caches.

Bounds: the median of the starts 0.4 s; resident memory 40 MB (1 MB = 1,000,000 bytes), the
largest of all starts; numpy, rich and mido not loaded.

On JACK, VmRSS counts the server's own shared memory once for each client in the process; no
client can hold less of it. So the bound is on VmRSS less RssShmem; the last lines show both, and
what a bare python-rtmidi process with one port holds. On ALSA there is no such memory.

    .venv/bin/python tests/bench/start.py [STARTS]
"""

from __future__ import annotations

import contextlib
import re
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, wait_until

STARTS = 10
WARMING = 2
BOUND_S = 0.4
BOUND_MB = 40.0
HEAVY = ("numpy", "rich", "mido")
BETWEEN_KEYS_S = 0.005
READING_CENTS = 20.0

RIG = """\
inputs:
  keys: {port: "keys:out"}
converters:
  octo: {port: "octo:in", converter: {gate_gap_ms: 2}}
voices:
"""


def write_rig(folder: Path) -> Path:
    """Write a rig of eight voices, each with a profile of 25 readings."""
    (folder / "profiles").mkdir()
    path = folder / "rig.yaml"
    text = RIG
    for number in range(1, 9):
        text += f"  v{number}: {{converter: octo, channel_number: {number}, profile: v{number}}}\n"
        rows = "".join(
            f"  - {{note: {note}, cents: {READING_CENTS + 0.1 * number}}}\n"
            for note in range(36, 85, 2)
        )
        (folder / "profiles" / f"v{number}.yaml").write_text(f"readings:\n{rows}")
    path.write_text(text)
    return path


def is_corrected(heard: list[tuple[float, bytes]]) -> float | None:
    """Return when the first note-on came; fail if the bend before it is no correction."""
    bent: dict[int, int] = {}
    for at_s, content in heard:
        channel = content[0] & 0x0F
        if content[0] & 0xF0 == 0xE0:
            bent[channel] = content[1] + 128 * content[2] - 8192
        elif content[0] & 0xF0 == 0x90:
            assert bent.get(channel, 0) < -500, f"channel {channel}: bend {bent.get(channel)}"
            return at_s
    return None


def memory_mb(status: str) -> tuple[float, float]:
    """Return VmRSS and RssShmem of a /proc/PID/status."""
    found = [re.search(rf"{key}:\s+(\d+) kB", status) for key in ("VmRSS", "RssShmem")]
    vmrss, shared = (int(match[1]) * 1024 / 1e6 for match in found if match is not None)
    return vmrss, shared


def one_start(
    rig: Path,
    environment: Mapping[str, str],
    keys: MidiSender,
    program: Sequence[str] = ZEROBEAT,
) -> tuple[float, float, float]:
    """Start once; return seconds to the first corrected note, VmRSS and RssShmem in MB."""
    stop = threading.Event()

    def press() -> None:
        while not stop.wait(BETWEEN_KEYS_S):
            keys.send((0x90, 60, 100))
            keys.send((0x80, 60, 64))

    with MidiRecorder("octo") as octo:
        presser = threading.Thread(target=press)
        presser.start()
        try:
            start_s = time.monotonic()
            with DaemonProcess(rig, environment, program=program) as daemon:
                wait_until(lambda: is_corrected(list(octo.heard)) is not None, 20.0, "a note")
                status = Path(f"/proc/{daemon.pid}/status").read_text()
        finally:
            stop.set()
            presser.join()
        at_s = is_corrected(octo.heard)
    assert at_s is not None
    return at_s - start_s, *memory_mb(status)


def bare_client_mb(server: JackServer) -> tuple[float, float]:
    """Return VmRSS and RssShmem of a process that only opens one port of python-rtmidi."""
    code = (
        "import rtmidi; port = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name='bare');"
        "port.open_virtual_port('in'); print(open('/proc/self/status').read())"
    )
    command = [sys.executable, "-c", code]
    done = subprocess.run(
        command, env=server.environment, capture_output=True, text=True, check=True
    )
    return memory_mb(done.stdout)


def heavy_modules(rig: Path, server: JackServer, keys: MidiSender) -> list[str]:
    """Return which of HEAVY a daemon imports from start to end, a key between (-X importtime)."""
    python = (sys.executable, "-X", "importtime", "-m", "zerobeat")
    with tempfile.TemporaryDirectory(prefix="zb") as folder, MidiRecorder("octo") as octo:
        environment = server.environment | {
            "XDG_RUNTIME_DIR": folder,
            "STATE_DIRECTORY": f"{folder}/state",
        }
        process = subprocess.Popen(
            [*python, "run", str(rig)],
            env=environment,
            text=True,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
        )
        end_s = time.monotonic() + 20.0
        while is_corrected(list(octo.heard)) is None:  # it takes its time, so counted
            assert time.monotonic() < end_s, "no note came"
            keys.send((0x90, 60, 100))
            keys.send((0x80, 60, 64))
            time.sleep(0.1)
        process.terminate()
        _, imports = process.communicate(timeout=20.0)
    names = {line.rsplit("|", 1)[-1].strip() for line in imports.splitlines()}
    assert "zerobeat.runtime.runner" in names, "the daemon did not come up"
    return [name for name in HEAVY if name in names]


def main() -> int:
    starts = int(sys.argv[1]) if len(sys.argv) > 1 else STARTS
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        server = stack.enter_context(JackServer())
        keys = stack.enter_context(MidiSender("keys"))
        rig = write_rig(folder)
        rows = [one_start(rig, server.environment, keys) for _ in range(WARMING + starts)][WARMING:]
        loaded = heavy_modules(rig, server, keys)
        bare = bare_client_mb(server)
    seconds = sorted(row[0] for row in rows)
    memory, shared = max((row[1], row[2]) for row in rows)
    results = [
        (
            "first corrected note, median",
            f"{statistics.median(seconds):.3f} s",
            f"{BOUND_S} s",
            statistics.median(seconds) <= BOUND_S,
        ),
        (
            "resident, less the server's",
            f"{memory - shared:.1f} MB",
            f"{BOUND_MB:g} MB",
            memory - shared < BOUND_MB,
        ),
        ("heavy modules loaded", ", ".join(loaded) or "none", "none", not loaded),
    ]
    print(f"{starts} starts, {seconds[0]:.3f} to {seconds[-1]:.3f} s")
    for what, found, bound, passed in results:
        print(f"{what:30} {found:>10}  bound {bound:>6}  {'pass' if passed else 'FAIL'}")
    print(f"VmRSS {memory:.1f} MB, of it the JACK server's shared memory {shared:.1f} MB")
    print(f"a bare python-rtmidi process: {bare[0]:.1f} MB, of it shared memory {bare[1]:.1f} MB")
    return 0 if all(row[3] for row in results) else 1


if __name__ == "__main__":
    sys.exit(main())
