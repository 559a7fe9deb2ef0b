"""A JACK server dies and comes back, for test_process.py.

A process of its own: the library keeps what it knew of a dead server, and whoever goes on
using it may crash. It also cleans up behind its dead clients, by name: a new one of that name was
deaf from then on, 3 of 20 times. So the peers are other processes, which end with their server.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from pathlib import Path

from kit.daemon_commands import zerobeat
from kit.daemon_process import DaemonProcess, MidiSenderProcess, write_rig
from kit.jack import JackServer, wait_until
from kit.steady_notes import QueueRecorder

CONNECTED = ("input keys: connected", "zerobeat plays 2 voices, scene plain; connected: input keys")


class SteadyPeers:
    """A keyboard and a converter in processes of their own."""

    def __init__(self, server: JackServer) -> None:
        self.keys = MidiSenderProcess("keys", server.environment)
        self._octo = QueueRecorder("octo", server)

    def wait_for(self, kind: int, count: int) -> None:
        """Wait until so many messages of a kind have come, all of key 63."""

        def heard() -> list[int]:
            return [c[1] for c in self._octo.heard() if c[0] & 0xF0 == kind]

        wait_until(lambda: len(heard()) >= count, 10.0, f"{count} of {kind:#x}")
        assert heard() == [63] * count

    def __enter__(self) -> SteadyPeers:
        return self

    def __exit__(self, *exc: object) -> None:
        self.keys.kill()
        self._octo.close()


def play_through(server: JackServer, daemon: DaemonProcess) -> None:
    with SteadyPeers(server) as peers:
        daemon.wait_for_line("connected: input keys, output octo")
        zerobeat(daemon, "set", "tonight", "transpose_semitones", "3")
        peers.keys.send(bytes((0x90, 60, 100)))
        peers.wait_for(0x90, 2)
        pid = daemon.pid
        server.kill()
        daemon.wait_for_line("2 notes may sound")
        daemon.wait_for_line("waiting for the JACK server")
        time.sleep(0.3)
    wait_until(lambda: server._start(server.name), 20.0, "the server, which may be listed still")
    start_s = time.monotonic()
    with SteadyPeers(server) as peers:
        peers.wait_for(0x80, 2)
        print(f"released after {time.monotonic() - start_s:.1f} s", flush=True)
        assert time.monotonic() - start_s < 6.0  # 2 s on a quiet machine
        assert daemon.pid == pid and not daemon.ended()
        peers.wait_for(0x80, 4)  # they are sent twice
        wait_until(lambda: any(line.startswith(CONNECTED) for line in daemon.lines()[-3:]))
        peers.keys.send(bytes((0x90, 60, 100)))
        peers.wait_for(0x90, 2)  # what was set is kept
        peers.keys.send(bytes((0x80, 60, 64)))
        peers.wait_for(0x80, 6)
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
