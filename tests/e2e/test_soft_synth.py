"""A MIDI file through ``zerobeat run`` into oscillators nobody here wrote, read by Praat.

The soft synth's channels track badly on purpose. A first pass plays raw; what Praat hears
there is typed into profiles. A second pass of the same file, with the profiles, is in tune.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from pathlib import Path

import mido
import numpy as np
import parselmouth
import pytest

from kit.daemon_process import DaemonProcess
from kit.jack import (
    RATE_HZ,
    SOUND_FONT,
    AudioRecorder,
    JackServer,
    MidiSender,
    OscillatorBank,
    jack_is_installed,
)

pytestmark = pytest.mark.skipif(
    not jack_is_installed() or not SOUND_FONT.exists(),
    reason="jackd2, fluidsynth or timgm6mb-soundfont is not installed",
)

NOTES = range(36, 85)  # four octaves, C2 to C6
BEAT_S = 0.36
SOUNDING_S = 0.30
READ_S = (0.11, 0.30)  # after a note-on: the note before has rung out, this one still sounds
WITHIN_CENTS = 1.5
VOICES = ("reed", "horn")
# The synth adds bend to the error of the key, so both err by number. Reed: flat low, sharp
# high, with a bend at middle C. Horn: no order from one key to the next.
DETUNES = (
    lambda key: -9.0 + 0.9 * (key - 60) if key < 60 else -9.0 + 1.6 * (key - 60),
    lambda key: 38.0 - 11.0 * (key * 7 % 8),
)

RIG = """\
inputs:
  keys: {{port: "keys:out"}}
converters:
  quad: {{port: "osc:midi_00", converter: {{gate_gap_ms: 2}}}}
voices:
  reed: {{converter: quad, channel_number: 1, profile: {reed}}}
  horn: {{converter: quad, channel_number: 2, profile: {horn}}}
"""

Errors = dict[int, float]  # cents off the written pitch, by note


def write_song(path: Path) -> Path:
    """Write every note once, low to high, at 120 a minute."""
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    sounding, rest = (round(960 * s) for s in (SOUNDING_S, BEAT_S - SOUNDING_S))
    for note in NOTES:
        track.append(mido.Message("note_on", note=note, velocity=100, time=rest))
        track.append(mido.Message("note_off", note=note, time=sounding))
    file.save(path)
    return path


def praat_cents(sound: np.ndarray, note: int) -> float:
    """Return how far a tone is off its written pitch (A4 = 440 Hz: ISO 16), by Praat."""
    written_hz = 440.0 * 2.0 ** ((note - 69) / 12)
    pitch = parselmouth.Sound(sound.astype(float), RATE_HZ).to_pitch_ac(
        pitch_floor=0.7 * written_hz, pitch_ceiling=1.4 * written_hz, very_accurate=True
    )
    heard_hz = pitch.selected_array["frequency"]
    assert np.any(heard_hz > 0), f"note {note}: no pitch"
    return float(1200.0 * np.log2(np.median(heard_hz[heard_hz > 0]) / written_hz))


def play_and_read(song: Path, rig: Path, server: JackServer) -> dict[str, Errors]:
    """Play the song into ``zerobeat run`` and return each voice's errors."""
    with MidiSender("keys") as keys, OscillatorBank(DETUNES) as bank:
        ports = [bank.audio_port(channel) for channel in range(len(VOICES))]
        server.wait_for_port(ports[-1])
        with DaemonProcess(rig, server.environment) as daemon, AudioRecorder(ports) as tape:
            daemon.wait_for_line("connected: input keys, output quad")
            tape.start()
            starts: dict[int, int] = {}
            for message in mido.MidiFile(song).play():
                if message.type == "note_on" and message.velocity:
                    starts[message.note] = tape.position_frames
                keys.send(message.bytes())
            time.sleep(0.1)
            sound = tape.stop()
            assert daemon.stop() == 0
    assert tape.lost_frames == 0
    first, last = (round(RATE_HZ * s) for s in READ_S)
    return {
        voice: {
            note: praat_cents(sound[start + first : start + last, column], note)
            for note, start in starts.items()
        }
        for column, voice in enumerate(VOICES)
    }


def write_profile(folder: Path, voice: str, errors: Mapping[int, float]) -> None:
    """Type the readings into ``profiles/VOICE.yaml`` beside the rig."""
    rows = "".join(f"  - {{note: {n}, cents: {cents:.2f}}}\n" for n, cents in errors.items())
    (folder / "profiles").mkdir(exist_ok=True)
    (folder / "profiles" / f"{voice}.yaml").write_text(
        f"voice: {voice}\nerrors_follow: number\nreadings:\n{rows}"
    )


@pytest.mark.slow  # test_measure.py shows the same with the program's own readings
def test_a_song_is_in_tune_with_profiles_read_from_raw_play(tmp_path):
    song = write_song(tmp_path / "song.mid")
    raw_rig, rig = tmp_path / "raw.yaml", tmp_path / "rig.yaml"
    raw_rig.write_text(RIG.format(reed="none", horn="none"))
    rig.write_text(RIG.format(reed="reed", horn="horn"))
    with JackServer() as server:
        raw = play_and_read(song, raw_rig, server)
        for voice, errors in raw.items():
            write_profile(tmp_path, voice, errors)
        corrected = play_and_read(song, rig, server)
    for voice in VOICES:
        assert list(corrected[voice]) == list(NOTES)
        off = [note for note, cents in raw[voice].items() if abs(cents) > 10.0]
        assert len(off) > 10, f"{voice}: raw play is too good to show anything"
        left = {n: cents for n, cents in corrected[voice].items() if abs(cents) > WITHIN_CENTS}
        assert not left, f"{voice}: off by more than {WITHIN_CENTS} cents"
