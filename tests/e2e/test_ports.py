"""``ports`` and ``doctor`` beside a daemon that plays on JACK (M5, A2)."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from kit.daemon_commands import ask, ready, zerobeat
from kit.daemon_process import DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.ports.patch import SEQUENCER

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


def test_ports_and_levels_answer_while_every_note_comes_through(tmp_path: Path) -> None:
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_rig(tmp_path, voices=1), server.environment) as daemon,
    ):
        ready(daemon, octo)
        done = threading.Event()
        struck = 0

        def play() -> None:
            nonlocal struck
            while not done.wait(0.01):
                keys.send(bytes((0x90, 60, 100)))
                keys.send(bytes((0x80, 60, 64)))
                struck += 1

        player = threading.Thread(target=play)
        player.start()
        try:
            names = zerobeat(daemon, "ports", "--backend", "jack")
            levels = zerobeat(daemon, "ports", "--backend", "jack", "--levels")
        finally:
            done.set()
            player.join()
        assert '  "keys:out"' in names and '  "octo:in"' in names
        assert "zerobeat" not in names.replace("zerobeat ports", "")  # its own are no one's to name
        assert '"system", 48000 Hz' in levels
        assert "      1 to 2 silent" in levels

        def count(kind: int) -> int:
            return sum(content[0] & 0xF0 == kind for _, content in octo.heard)

        wait_until(lambda: count(0x80) == struck, what="every release")
        assert count(0x90) == struck > 20
        assert not [line for line in daemon.lines() if "lost" in line or "overrun" in line]


@pytest.mark.skipif(SEQUENCER.exists(), reason="this machine has an ALSA sequencer")
def test_doctor_looks_at_the_ports_on_jack(tmp_path: Path) -> None:
    rig = write_rig(tmp_path, voices=1)
    with (
        JackServer() as server,
        MidiSender("keys"),
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("waiting for: output octo")
        done = ask(daemon, "doctor", str(rig))
        assert "ok       input keys: keys:out is there" in done.stdout
        assert 'fault    output octo: "octo:in" is not there' in done.stdout
        assert done.returncode == 1
