"""A JACK server dies and comes back, for test_process.py.

A process of its own: the library keeps what it knew of a dead server, and whoever goes on
using it may crash.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from kit.daemon_commands import ready, strike, zerobeat
from kit.daemon_process import DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, wait_until


def note_offs(octo: MidiRecorder) -> int:
    return sum(content[0] & 0xF0 == 0x80 for _, content in octo.heard)


def play_through(server: JackServer, daemon: DaemonProcess) -> None:
    keys, octo = MidiSender("keys"), MidiRecorder("octo")
    ready(daemon, octo)
    zerobeat(daemon, "set", "tonight", "transpose_semitones", "3")
    keys.send(bytes((0x90, 60, 100)))
    wait_until(lambda: sum(c[0] & 0xF0 == 0x90 for _, c in octo.heard) == 2)
    pid = daemon.pid
    server.kill()
    daemon.wait_for_line("2 notes may sound")
    daemon.wait_for_line("waiting for the JACK server")
    time.sleep(0.3)
    wait_until(lambda: server._start(server.name), 10.0, "the server, which may be listed still")
    # Other ports than before: this process still has those of the dead server.
    keys, octo = MidiSender("keys"), MidiRecorder("octo")
    start_s = time.monotonic()
    wait_until(lambda: note_offs(octo) == 2, 10.0, "the note-offs")
    print(f"released after {time.monotonic() - start_s:.1f} s", flush=True)
    assert time.monotonic() - start_s < 6.0  # 2 s on a quiet machine
    assert daemon.pid == pid and not daemon.ended()
    octo.wait_for_silence()
    assert strike(keys, octo) == [63, 63]  # what was set is kept
    assert daemon.stop() == 0


def stop_while_waiting(server: JackServer, daemon: DaemonProcess) -> None:
    daemon.wait_for_line("zerobeat plays 2 voices")
    server.kill()
    daemon.wait_for_line("waiting for the JACK server")
    assert daemon.stop() == 0


def main() -> None:
    scenario = {"play": play_through, "stop": stop_while_waiting}[sys.argv[1]]
    server = JackServer(synchronous=False)
    server.__enter__()
    daemon = DaemonProcess(write_rig(Path(sys.argv[2]), voices=2), server.environment)
    status = 1
    try:
        scenario(server, daemon)
        status = 0
    finally:
        if status:
            import traceback

            traceback.print_exc()
            print("journal:", *daemon.lines(), sep="\n  ", flush=True)
        daemon.close()
        server._end(signal.SIGKILL)
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(status)  # past the library's own end


if __name__ == "__main__":
    main()
