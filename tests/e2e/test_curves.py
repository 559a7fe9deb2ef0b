"""Response curves through real ports, and a curve learned from playing."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


def velocities(octo: MidiRecorder) -> list[int]:
    return [content[2] for _, content in octo.heard if content[0] & 0xF0 == 0x90]


def test_a_learned_curve_is_for_the_rig_and_plays_after_a_reload(
    server: JackServer, tmp_path: Path
) -> None:
    path = write_rig(tmp_path, voices=1)
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(path, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output octo")
        with subprocess.Popen(
            [*ZEROBEAT, "learn", "curve"],
            env=daemon.environment,
            stdout=subprocess.PIPE,
            text=True,
        ) as learning:
            assert learning.stdout is not None
            for how, velocity in (("softly", 30), ("hard", 90)):
                assert how in learning.stdout.readline()
                for _ in range(8):
                    keys.send([0x90, 60, velocity])
                    keys.send([0x80, 60, 0])
            lines = learning.stdout.read().splitlines()
        assert learning.returncode == 0
        assert lines[1].strip() == "curve: [[1, 1], [30, 20], [90, 115], [127, 127]]"
        wait_until(lambda: velocities(octo).count(90) == 8)
        text = path.read_text()
        path.write_text(text.replace('"keys:out"}', f'"keys:out", {lines[1].strip()}}}'))
        done = subprocess.run(
            [*ZEROBEAT, "reload"], env=daemon.environment, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr
        before = len(velocities(octo))
        for velocity in (1, 30, 60, 90, 127):
            keys.send([0x90, 60, velocity])
            keys.send([0x80, 60, 0])
        wait_until(lambda: len(velocities(octo)) == before + 5)
        assert velocities(octo)[before:] == [1, 20, 68, 115, 127]
        assert daemon.stop() == 0
