"""The demo's files, read back by Praat, mido and the standard library."""

import wave

import mido
import numpy as np
import parselmouth
import pytest

from zerobeat.cli import main
from zerobeat.sim.scenario import BEAT_S, PARTS, PHRASE, PLAYED_S, quartet

VOICES = [part.name for part in PARTS]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "out"
    assert main(["demo", "--out", str(folder), "--stems"]) == 0
    return folder


def samples_of(path):
    with wave.open(str(path), "rb") as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 48_000)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768.0


def cents_off(path, voice):
    """Return the pitch by Praat of each written note of a voice, less the written pitch."""
    samples = samples_of(path)
    found = []
    for name, start, beats, key in PHRASE:
        if name != voice:
            continue
        begin = round((start * BEAT_S + 0.2) * 48_000)
        end = round(((start + beats) * BEAT_S - 0.1) * 48_000)
        written_hz = 440.0 * 2.0 ** ((key - 69) / 12)
        sound = parselmouth.Sound(samples[begin:end], 48_000)
        pitch = sound.to_pitch_ac(
            pitch_floor=written_hz * 0.7, pitch_ceiling=written_hz * 1.4, very_accurate=True
        )
        hertz = pitch.selected_array["frequency"]
        found.append(1200.0 * np.log2(np.median(hertz[hertz > 0]) / written_hz))
    return np.array(found)


@pytest.mark.parametrize("voice", VOICES)
def test_praat_hears_every_note_in_tune_after_and_not_before(demo, voice):
    before = cents_off(demo / f"before-{voice}.wav", voice)
    after = cents_off(demo / f"after-{voice}.wav", voice)
    assert np.max(np.abs(after)) < 1.0
    assert np.max(np.abs(before)) > 5.0
    assert np.mean(np.abs(before)) > 5.0 * np.mean(np.abs(after))


def test_reed_and_horn_stop_beating_on_their_unison(demo):
    (start,) = {note[1] for note in PHRASE if note[0] == "horn" and note[3] == 69}
    part = slice(
        round((start * BEAT_S + 1.0) * 48_000), round((start + 4) * BEAT_S * 48_000) - 9600
    )
    turns = np.exp(-2j * np.pi * 440.0 * np.arange(part.stop - part.start) / 48_000)
    kernel = np.hanning(4800) / np.hanning(4800).sum()
    beats_hz = {}
    for when in ("before", "after"):
        phases = []
        for voice in ("reed", "horn"):
            level = np.convolve(
                samples_of(demo / f"{when}-{voice}.wav")[part] * turns, kernel, "valid"
            )
            phases.append(np.unwrap(np.angle(level)))  # of the fundamental
        apart = (phases[0] - phases[1]) / (2 * np.pi)
        beats_hz[when] = abs(apart[-1] - apart[0]) / (len(apart) / 48_000)
    assert beats_hz["before"] > 2.0
    assert beats_hz["after"] < 440.0 * (2 ** (0.3 / 1200) - 1)  # 0.3 cent: one in 13 s


@pytest.mark.parametrize("when", ["before", "after"])
def test_mix_is_the_sum_of_its_voices_and_leaves_room(demo, when):
    mix = samples_of(demo / f"{when}.wav")
    stems = sum(samples_of(demo / f"{when}-{voice}.wav") for voice in VOICES)
    assert np.max(np.abs(mix - stems)) < 3.0 / 32768
    assert 0.2 < np.max(np.abs(mix)) < 0.7


def test_midi_file_alone_plays_the_case_in_tune(demo):
    case = quartet(0)
    at_s = PLAYED_S - 1.0
    begun_s = None
    for message in mido.MidiFile(demo / "corrected.mid"):
        at_s += message.time
        if message.is_meta:
            continue
        if begun_s is None and message.type == "note_on":
            begun_s = at_s
        case.play([(at_s, bytes(message.bytes()))])
    channels = {part.name: part.channel for part in PARTS}
    for voice, start, beats, key in PHRASE:
        middle_s = begun_s + (start + beats / 2.0) * BEAT_S
        assert case.converter.gate(channels[voice], middle_s)
        assert case.pitch_of(channels[voice], middle_s) == pytest.approx(100.0 * key, abs=1.0)
    assert not any(case.converter.gate(channel) for channel in channels.values())


def test_output_fits_a_terminal_and_names_the_files(tmp_path, capsys):
    assert main(["demo", "--out", str(tmp_path), "--seed", "3"]) == 0
    lines = capsys.readouterr().out.splitlines()
    print("\n".join(lines))
    assert len(lines) <= 24
    assert all(len(line) <= 80 for line in lines if str(tmp_path) not in line)
    text = "\n".join(lines)
    for name in ("before.wav", "after.wav", "corrected.mid"):
        assert name in text
    assert "volume" in text
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "after.wav",
        "before.wav",
        "corrected.mid",
    ]
    rows = [line for line in lines if line.split(" ")[0] in VOICES]
    assert {row.split()[0] for row in rows} == set(VOICES)


def test_same_seed_writes_the_same_files(demo, tmp_path):
    assert main(["demo", "--out", str(tmp_path)]) == 0
    for name in ("before.wav", "after.wav", "corrected.mid"):
        assert (tmp_path / name).read_bytes() == (demo / name).read_bytes()


def test_files_that_are_there_are_left_alone_unless_forced(tmp_path, capsys):
    (tmp_path / "after.wav").write_bytes(b"mine")
    assert main(["demo", "--out", str(tmp_path)]) == 1
    error = capsys.readouterr().err
    assert len(error.splitlines()) == 1
    assert "after.wav" in error
    assert "--force" in error
    assert [path.name for path in tmp_path.iterdir()] == ["after.wav"]
    assert (tmp_path / "after.wav").read_bytes() == b"mine"
    assert main(["demo", "--out", str(tmp_path), "--force"]) == 0
    assert (tmp_path / "after.wav").read_bytes()[:4] == b"RIFF"


def test_a_folder_that_cannot_be_one_is_one_clear_line(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["demo", "--out", str(tmp_path / "file" / "below")]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


@pytest.mark.parametrize("seed", ["-1", "x", "1.5", "\u0663"])
def test_a_seed_that_is_none_is_refused(seed, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["demo", "--seed=" + seed])
    assert stopped.value.code == 2
    assert "allowed: a whole number" in capsys.readouterr().err
