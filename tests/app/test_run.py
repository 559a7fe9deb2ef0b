"""The daemon on real JACK ports: corrected notes, faults, a clean stop."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.kit import jack as kit

pytestmark = pytest.mark.skipif(not kit.jack_is_installed(), reason="jackd is not installed")

RIG = """\
inputs:
  keys: {port: "keys:out"}
converters:
  quad: {port: "quad:in", converter: quad}
voices:
  reed: {converter: quad, channel_number: 1, profile: reed-oscillator}
  horn: {converter: quad, channel_number: 2, profile: horn-oscillator}
"""


def start(folder: Path, environment: dict[str, str]) -> subprocess.Popen[str]:
    (folder / "rig.yaml").write_text(RIG)
    process = subprocess.Popen(
        [sys.executable, "-m", "zerobeat.app.cli", "run", str(folder / "rig.yaml")],
        env={**environment, "XDG_RUNTIME_DIR": str(folder), "XDG_STATE_HOME": str(folder)},
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    line = process.stderr.readline()
    assert "connected: input keys, output quad" in line, line
    return process


def notes(heard: list[tuple[float, bytes]], kind: int) -> list[tuple[int, int]]:
    return [(c[0] & 15, c[1]) for _, c in heard if c[0] & 0xF0 == kind]


def test_notes_come_out_corrected_and_are_released_at_the_end(tmp_path):
    """B1, B3, M15, N12, M20: bends first; a stop and a kill leave nothing sounding."""
    with kit.JackServer() as server, kit.Player("keys") as keys, kit.Recorder("quad") as quad:
        daemon = start(tmp_path, server.environment)
        assert len(quad.wait_for(12)) == 12  # two bend ranges
        keys.play([(0.0, b"\x90\x3c\x64")])
        heard = quad.wait_for(16)
        assert [content[0] for _, content in heard[12:]] == [0xE0, 0xE1, 0x90, 0x91]
        second = subprocess.run(
            [sys.executable, "-m", "zerobeat.app.cli", "run", str(tmp_path / "rig.yaml")],
            env={**server.environment, "XDG_RUNTIME_DIR": str(tmp_path)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert second.returncode != 0
        assert f"process {daemon.pid}" in second.stderr
        daemon.kill()  # nothing is released now, but the mirror knows
        daemon.communicate()
        daemon = start(tmp_path, server.environment)
        released = quad.wait_for(30)
        assert sorted(notes(released, 0x80)) == sorted(notes(heard, 0x90))
        keys.play([(0.0, b"\x90\x40\x64")])
        quad.wait_for(34)
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(5) == 0
        everything = quad.wait_for(36)
        assert sorted(notes(everything, 0x80)) == sorted(notes(everything, 0x90))
        daemon.communicate()


def test_a_broken_reload_changes_nothing(tmp_path):
    """C6: the faults are told with file and line, the next note plays."""
    with kit.JackServer() as server, kit.Player("keys") as keys, kit.Recorder("quad") as quad:
        daemon = start(tmp_path, server.environment)
        quad.wait_for(12)
        rig = tmp_path / "rig.yaml"
        rig.write_text(RIG.replace("profile: horn", "profil: horn"))
        daemon.send_signal(signal.SIGHUP)
        time.sleep(1.0)
        keys.play([(0.0, b"\x90\x3c\x64")])
        assert len(notes(quad.wait_for(16), 0x90)) == 2
        daemon.send_signal(signal.SIGTERM)
        _, log = daemon.communicate(timeout=5)
        assert f"{rig}:7:" in log and "did you mean profile?" in log
        assert "the rig in force is unchanged" in log


@pytest.mark.parametrize(
    ("rig", "status", "text"),
    [("voices: 3\n", 78, "rig.yaml:1"), (RIG, 1, "no MIDI here")],
)
def test_what_keeps_it_from_starting_is_one_clear_line(tmp_path, rig, status, text):
    """C2, S6: a broken rig, and a machine without MIDI."""
    if status == 1 and Path("/dev/snd/seq").exists():
        pytest.skip("this machine has a sequencer")
    (tmp_path / "rig.yaml").write_text(rig)
    done = subprocess.run(
        [sys.executable, "-m", "zerobeat.app.cli", "run", str(tmp_path / "rig.yaml")],
        env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path), "JACK_DEFAULT_SERVER": "none-here"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == status
    assert text in done.stderr and "Traceback" not in done.stderr
