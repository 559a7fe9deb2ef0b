"""Chords, a latch and an extra socket from files, through real ports."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
SCENE = """\
scene:
  hold: none
  zones:
    - {voices: [v1, v2, v3], assign: rotate, chord: [0, 3, 7], latch: true}
"""
BOARD = "bindings: [{controller: 80, action: latch}]\n"
SOCKET = "extra: {cutoff: {controller: 20, channel_number: 16}}"
ROUTE = "extra: {cutoff: {input: keys, from: wheel, smooth_ms: 40}}"


def notes(octo: MidiRecorder) -> list[int]:
    return sorted(note for _, note in open_notes([content for _, content in octo.heard]))


def test_a_latched_chord_and_a_socket(server: JackServer, tmp_path: Path) -> None:
    path = write_rig(tmp_path, voices=3, more=SCENE)
    (tmp_path / "pedalboards").mkdir()
    (tmp_path / "pedalboards" / "two-feet.yaml").write_text(BOARD)
    text = path.read_text()
    feet = '  feet: {port: "feet:out", pedalboard: two-feet}\n'
    text = text.replace("converters:\n", feet + "converters:\n", 1)
    text = text.replace("{gate_gap_ms: 2}}", f"{{gate_gap_ms: 2, {SOCKET}}}, {ROUTE}}}")
    path.write_text(text)
    with (
        MidiSender("keys") as keys,
        MidiSender("feet") as feet_out,
        MidiRecorder("octo") as octo,
        DaemonProcess(path, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, input feet, output octo")
        feet_out.send([0xB0, 80, 127])
        feet_out.send([0xB0, 80, 0])

        def status() -> dict:
            done = subprocess.run(
                [*ZEROBEAT, "status", "--json"],
                env=daemon.environment,
                capture_output=True,
                text=True,
            )
            return json.loads(done.stdout)

        wait_until(lambda: status()["foot"] == "feet: latch on")
        for key in (60, 64):
            keys.send([0x90, key, 100])
            keys.send([0x80, key, 0])
            wait_until(lambda: notes(octo) == [key, key + 3, key + 7])
        keys.send([0xE0, 0x7F, 0x7F])
        wait_until(lambda: (bytes((0xBF, 20, 127))) in [content for _, content in octo.heard])
        feet_out.send([0xB0, 80, 127])
        feet_out.send([0xB0, 80, 0])
        wait_until(lambda: notes(octo) == [])
        keys.send([0x90, 60, 100])
        wait_until(lambda: len(notes(octo)) == 3)
        assert daemon.stop() == 0
        wait_until(lambda: notes(octo) == [])
    check = subprocess.run([*ZEROBEAT, "check", str(path)], capture_output=True, text=True)
    assert check.returncode == 0, check.stderr
    assert "cutoff: wheel of keys, smoothed over 40 ms" in check.stdout
