"""The README's first evening, each command as it is written there, with a JACK rig; timed."""

from __future__ import annotations

import os
import re
import subprocess
import time
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
README = Path(__file__).resolve().parents[2] / "README.md"
MOST_S = 120.0
NEEDS_SOUND = "zerobeat measure reed"
LIVE = "zerobeat status"


def evening() -> tuple[list[str], str]:
    """Return the commands of the section in their order, and the typed readings."""
    text = README.read_text(encoding="utf-8")
    section = text[text.index("## A first evening") : text.index("## The box in the case")]
    lines = re.findall(r"^ {4,}(zerobeat [^#\n]*)", section, re.MULTILINE)
    readings = re.findall(r"^ {7}([A-G]b?\d +[-+]?\d.*)$", section, re.MULTILINE)
    return [line.strip() for line in lines], "\n".join(readings) + "\n"


def test_the_first_evening_takes_less_than_two_minutes_of_the_machine(tmp_path: Path) -> None:
    commands, readings = evening()
    assert len(commands) >= 9 and commands[0] == "zerobeat init rig.yaml"
    (tmp_path / "reed.txt").write_text(readings)
    at = commands.index("zerobeat run rig.yaml")
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("quad") as quad,
    ):
        environment = {**server.environment, "STATE_DIRECTORY": str(tmp_path / "state")}
        start_s = time.monotonic()
        for command in commands[:at]:
            _run(command, tmp_path, environment)
            if "init" in command:  # the player's part: the names of the ports, horn without detune
                rig = tmp_path / "rig.yaml"
                text = rig.read_text().replace("Stage Keys:Stage Keys MIDI 1", "keys:out")
                text = text.replace("quad:quad MIDI 1", "quad:in")
                rig.write_text(text.replace("detune_beats_hz: 0.4", "detune_beats_hz: 0"))
        with DaemonProcess(tmp_path / "rig.yaml", server.environment) as daemon:
            daemon.wait_for_line("connected: input keys, output quad")
            quad.wait_for_silence()
            for command in commands[at + 1 :]:
                if command != NEEDS_SOUND:
                    once = f"{command} --once" if command == LIVE else command
                    _run(once, tmp_path, daemon.environment)
            before = len(quad.heard)
            keys.send(b"\x90\x42\x64")  # F#4, off by a few cents of the typed readings
            sent = [content for _, content in quad.wait_for_silence()[before:]]
            assert sum(content[0] & 0xF0 == 0x90 for content in sent) == 2
            assert sent[0][0] == 0xE0 and sent[0] != b"\xe0\x00\x40"  # reed is corrected
            keys.send(b"\x80\x42\x40")
            assert daemon.stop() == 0
        assert time.monotonic() - start_s < MOST_S


def _run(command: str, folder: Path, environment: dict[str, str]) -> None:
    done = subprocess.run(
        [*ZEROBEAT, *command.split()[1:]],
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
