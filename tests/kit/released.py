"""Made with release/build: a version's files, and a song to play through them."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import mido

from release.targets import ROOT, TARGETS, version

HERE = os.uname().machine


def build(into: Path) -> Path:
    """Make this machine's targets into a folder."""
    names = [target.name for target in TARGETS if target.machine == HERE]
    command = [ROOT / "release" / "build", "--into", into, version(), *names]
    environment = os.environ | {"PYTHON": sys.executable}
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stderr
    return into


def song(path: Path) -> None:
    """Write three keys, one after the other, as a MIDI file."""
    track = mido.MidiTrack()
    for key in (48, 60, 67):
        track.append(mido.Message("note_on", note=key, velocity=100))
        track.append(mido.Message("note_off", note=key, time=240))
    mido.MidiFile(tracks=[track]).save(path)
