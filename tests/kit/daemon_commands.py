"""A daemon that plays two voices and two scenes, driven by the commands a player types."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

from kit.daemon_process import ZEROBEAT, DaemonProcess, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, wait_until
from zerobeat.midi import NoteOn, parse

SCENE = "title: {title}\nprogram: {program}\nhold: note\nall: {{semitones: {semitones}}}\n"
LIST = (("plain", 1, 0), ("fifth", 2, 7))


def write_scenes(folder: Path, more: str = "scenes: [plain, fifth]\n") -> Path:
    """Write a rig of two voices with the scenes plain and fifth; return its file."""
    (folder / "scenes").mkdir()
    for name, program, semitones in LIST:
        text = SCENE.format(title=name, program=program, semitones=semitones)
        (folder / f"scenes/{name}.yaml").write_text(text)
    return write_rig(folder, voices=2, more=more)


def ask(daemon: DaemonProcess, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a command of zerobeat's and return what became of it."""
    return subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True, check=False
    )


def zerobeat(daemon: DaemonProcess, *arguments: str) -> str:
    """Run a command that succeeds; return what it says."""
    done = ask(daemon, *arguments)
    assert done.returncode == 0, done.stderr
    return done.stdout


def status(daemon: DaemonProcess) -> dict[str, Any]:
    return dict(json.loads(zerobeat(daemon, "status", "--json")))


def ready(daemon: DaemonProcess, octo: MidiRecorder) -> None:
    """Wait until it is connected and has set up its converter."""
    daemon.wait_for_line("connected: input keys, output octo")
    octo.wait_for_silence()


def kill_and_start(daemon: DaemonProcess, server: JackServer) -> None:
    """End it as a power cut would, and start it again once the server has noticed."""
    daemon.kill()
    wait_until(lambda: not server.ports("zerobeat"), 10.0, "the end of its ports")
    daemon.start()


def strike(keys: MidiSender, octo: MidiRecorder) -> list[int]:
    """Press and release key 60; return the numbers that were struck."""
    before = len(octo.heard)
    keys.send(bytes((0x90, 60, 100)))
    keys.send(bytes((0x80, 60, 64)))
    wait_until(lambda: sum(c[0] & 0xF0 == 0x80 for _, c in octo.heard[before:]) >= 2)
    octo.wait_for_silence()
    struck = [parse(content) for _, content in octo.heard[before:]]
    return [message.note for message in struck if isinstance(message, NoteOn)]
