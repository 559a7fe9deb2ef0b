"""``measure`` as a player types it: typed tables, recorded sweeps, a meter, a virtual voice."""

import argparse
import struct
import wave
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from kit.virtual_voices import case_of, truth
from zerobeat.calibration import measurement as measuring
from zerobeat.cli import main
from zerobeat.commands.measure import NOT_KEPT, _keep_measured, parse_note_list
from zerobeat.config.converter_file import load_converter
from zerobeat.config.profile_file import load_profile
from zerobeat.errors import MeasureError
from zerobeat.measure.audio.wav import read_wav
from zerobeat.measure.curve.proof import CheckNoteResult, judge_check_notes
from zerobeat.measure.pitch.take import TakeRequest
from zerobeat.midi import NoteOn, encode
from zerobeat.render.virtual_listener import VirtualListener
from zerobeat.runtime_directory import Lock, runtime_directory
from zerobeat.state.state_directory import load_rig, state_directory

RIG = """
inputs: {keys: {port: "Stage Keys:Stage Keys MIDI 1"}}
converters: {quad: {port: "quad:quad MIDI 1", converter: {zero_volt_note: 36}}}
voices:
  reed: {converter: quad, channel_number: 1, lowest_note: 36, highest_note: 84}
  bass: {converter: quad, channel_number: 2, panel_octaves: -1, lowest_note: 36, highest_note: 84}
"""
NOTES = range(36, 85, 6)
CHECKS = "check notes (no readings)  before      after   cents off"


@pytest.fixture
def rig(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig.yaml").write_text(RIG)
    return tmp_path


@pytest.fixture
def measure(rig, capsys):
    def measured(*arguments, status=0):
        try:
            found = main(["measure", *map(str, arguments)])
        except SystemExit as stopped:
            found = stopped.code
        out, err = capsys.readouterr()
        assert found == status, out + err
        assert all(len(line) <= 80 for line in out.splitlines() if "/" not in line), out
        return err if status else out

    return measured


def stored(voice="reed"):
    return load_profile(state_directory() / "profiles" / f"{voice}.yaml")


def curve_of(voice="reed"):
    return next(one for one in load_rig("rig.yaml").rig.voices if one.name == voice).curve


# ------------------------------------------------------------------ typed


def test_a_typed_table_becomes_the_profile_the_rig_plays_by(rig, measure):
    (rig / "reed.txt").write_text(
        "# tuner, warm\nC2 -3.1\n48; -0.8; 0.2\nC4\t+1.1\nC5,2.9\n84 \N{MINUS SIGN}0.5\n"
    )
    out = measure("reed", "--readings", "reed.txt")
    assert "kept as the profile of reed" in out
    assert "at the readings: off by 3.10 cents at most as it plays now" in out
    curve = curve_of()
    for note, cents in ((36, -3.1), (48, -0.8), (60, 1.1), (72, 2.9), (84, -0.5)):
        assert curve.sounding(100.0 * note) - 100.0 * note == pytest.approx(cents, abs=0.5)
    assert len(stored().readings) == 5


def test_sharps_are_typed_as_the_tuner_and_this_program_print_them(rig, measure):
    """A comment needs a blank before its sign, so that F#2 is a note (C2)."""
    (rig / "reed.txt").write_text(
        "#a comment at once\nF#2 +1.1\nFs3 1.2 # warm\nGb4 +1.3\t#cold\n78 1.4\n"
    )
    measure("reed", "--readings", "reed.txt")
    assert [(one.note, one.cents) for one in stored().readings] == [
        (42, 1.1),
        (54, 1.2),
        (66, 1.3),
        (78, 1.4),
    ]
    (rig / "quad.txt").write_text("1 C2 0\n1 F#2 0.5\n1 Gb3 1.5 # by meter\n1 48 1.0\n")
    measure("quad", "--volts", "quad.txt", "--out", "channels.yaml")
    assert load_converter(rig / "channels.yaml").volts[0] == (
        (36, 0.0),
        (42, 0.5),
        (48, 1.0),
        (54, 1.5),
    )
    (rig / "reed.txt").write_text("C2 +1.1#warm\nAs2 1\n")
    err = measure("reed", "--readings", "reed.txt", status=78)
    assert "reed.txt:1: found cents +1.1#warm" in err
    assert "reed.txt:2: found 'As2'" in err


def test_a_table_and_a_file_without_spreads_are_known_alike(rig, measure):
    """An octave that nobody read is known less than the readings (C2)."""
    notes = [*range(36, 49, 2), *range(60, 73, 2)]
    (rig / "reed.txt").write_text("".join(f"{n} {0.1 * (n - 36):.1f}\n" for n in notes))
    (rig / "mine.yaml").write_text(
        "readings:\n" + "".join(f"  - {{note: {n}, cents: {0.1 * (n - 36):.1f}}}\n" for n in notes)
    )

    def known(file):
        out = measure("reed", "--readings", file, "--out", f"{file}.out")
        return float(out.partition("curve known to ")[2].partition(" cents")[0])

    assert known("reed.txt") == known("mine.yaml") > 1.0


def test_keys_of_a_voice_with_panel_octaves_are_those_a_tuner_shows(rig, measure):
    (rig / "bass.txt").write_text("C2 1\nC3 2\nC4 3\n")
    measure("bass", "--readings", "bass.txt")
    # panel_octaves -1: a key is sent an octave higher.
    assert [reading.note for reading in stored("bass").readings] == [48, 60, 72]
    assert stored("bass").panel_octaves == -1


def test_every_bad_line_of_a_typed_table_is_reported(rig, measure):
    (rig / "reed.txt").write_text("C4 3.2\nH4 1\nC5\nC5 1,5\n60 abc\n60 5000\n")
    err = measure("reed", "--readings", "reed.txt", status=78)
    lines = err.splitlines()
    assert [line.split(" ")[0] for line in lines[:-1]] == [
        f"reed.txt:{n}:" for n in (2, 3, 4, 5, 6)
    ]
    assert lines[-1] == "5 problems"
    assert not (state_directory() / "profiles").exists()


def test_a_slip_in_a_typed_table_is_named_and_left_out(rig, measure):
    good = {36: -3.0, 42: -2.1, 48: -1.0, 54: -0.1, 60: 0.9, 66: 2.1, 72: 3.0, 78: 4.1, 84: 5.0}
    typed = "\n".join(f"{n} {c if n != 60 else 90.9}" for n, c in good.items())
    (rig / "reed.txt").write_text(typed)
    out = measure("reed", "--readings", "reed.txt")
    assert "to do: note C4 (60): read +90.9 cents, the others expect" in out
    assert curve_of().sounding(6000.0) == pytest.approx(6000.9, abs=0.5)


@pytest.mark.parametrize(
    ("text", "words"),
    [("", "no readings"), ("60 1\n", "1 notes; needed: 2"), ("60 1\n0 1", "allowed: 36 to 84")],
)
def test_too_little_is_refused(rig, measure, text, words):
    (rig / "reed.txt").write_text(text)
    err = measure("reed", "--readings", "reed.txt", status=78 if not text else 1)
    assert words in err


def test_readings_of_a_profile_file_are_fitted_again(rig, measure):
    (rig / "mine.yaml").write_text(
        "voice: reed\n"
        "readings: [{note: 36, cents: 1}, {note: 60, cents: 2}, {note: 84, cents: 3}]\n"
    )
    measure("reed", "--readings", "mine.yaml")
    assert curve_of().sounding(6000.0) == pytest.approx(6002.0, abs=0.3)


def test_undo_brings_the_profile_before_back(rig, measure):
    for cents in (1, 9):
        (rig / "reed.txt").write_text(f"C2 {cents}\nC4 {cents}\nC6 {cents}\n")
        measure("reed", "--readings", "reed.txt")
    assert curve_of().sounding(6000.0) == pytest.approx(6009.0, abs=0.3)
    assert "profile before" in measure("reed", "--undo")
    assert curve_of().sounding(6000.0) == pytest.approx(6001.0, abs=0.3)


def test_nothing_is_kept_while_another_process_holds_the_lock(rig, measure):
    (rig / "reed.txt").write_text("C2 1\nC4 1\n")
    runtime_directory().mkdir()
    lock = Lock(runtime_directory())
    try:
        err = measure("reed", "--readings", "reed.txt", status=1)
    finally:
        lock.close()
    assert "plays already" in err
    assert not (state_directory() / "profiles").exists()


# ------------------------------------------------------------------ sweeps


def sweep_of(case, notes, gap_s=0.15, held_s=0.5):
    """Return a recorded sweep, with silence between the notes."""
    listener = VirtualListener(case, 0, start_s=3000.0)
    parts = [np.zeros(24_000)]
    for note in notes:
        samples, _ = listener.record(TakeRequest("reed", note, 0.0, held_s, "reading", 0.0))
        parts += [np.asarray(samples, float), np.zeros(round(gap_s * 48_000))]
    return np.concatenate(parts), listener.now_s


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE", "PCM_U8"])
def test_a_recorded_sweep_is_read_by_the_order_of_its_notes(rig, measure, subtype):
    case = case_of()
    samples, at_s = sweep_of(case, NOTES)
    soundfile.write(rig / "sweep.wav", 2.0 * samples, 48_000, subtype)
    out = measure("reed", "--wav", "sweep.wav", "--notes", "C2-C6/6")
    assert "reed: 9 takes" in out
    curve = curve_of()
    notes = np.arange(36, 85)
    off = np.array([curve.sounding(100.0 * n) for n in notes]) - truth(case, notes, at_s)
    # 8 bits hold a tone at 0.4 of full scale in a hundred steps.
    assert np.abs(off).max() < (1.0 if subtype == "PCM_U8" else 0.5)


def test_a_legato_sweep_is_cut_where_the_pitch_steps(rig, measure):
    case = case_of(hiss=0.0)
    for place, note in enumerate(NOTES):
        case.play([(3000.0 + 0.6 * place, encode(NoteOn(0, note, 100)))])
    samples = case.render(0.6 * len(NOTES), 48_000, start_s=3000.0)
    soundfile.write(rig / "legato.wav", samples, 48_000, "PCM_24")
    measure("reed", "--wav", "legato.wav", "--notes", "C2-C6/6")
    off = curve_of().sounding(6000.0) - truth(case, [60], 3003.0)[0]
    assert abs(off) < 0.5


def test_a_sweep_of_other_notes_is_refused(rig, measure):
    samples, _ = sweep_of(case_of(), [36, 42, 48, 54, 60, 66])
    soundfile.write(rig / "sweep.wav", samples, 48_000, "PCM_16")
    err = measure("reed", "--wav", "sweep.wav", "--notes", "C2-C6/6", status=1)
    assert "found 6 notes in the recording, the sweep has 9" in err
    err = measure("reed", "--wav", "sweep.wav", "--notes", "36,42,48,58,60,66", status=1)
    assert "note 4 of 6 should be A#3" in err
    assert not (state_directory() / "profiles").exists()


def test_files_that_are_no_recordings_are_one_clear_line(rig, measure):
    (rig / "text.wav").write_text("C4 3")
    (rig / "cut.wav").write_bytes(b"RIFF\0\0\0\0WAVEfmt ")
    with wave.open(str(rig / "silent.wav"), "wb") as file:
        file.setparams((1, 2, 48_000, 0, "NONE", ""))
        file.writeframes(b"\0" * 96_000)
    for name, words in (
        ("text.wav", "found no WAV file"),
        ("cut.wav", "found no format"),
        ("none.wav", "no such file"),
        ("silent.wav", "found 0 notes"),
    ):
        err = measure("reed", "--wav", name, status=1)
        assert words in err
        assert len(err.splitlines()) == 1
    err = measure("reed", "--wav", "silent.wav", "--channel", "2", status=1)
    assert "found 1 channels" in err


def test_wav_reader_agrees_with_a_library(tmp_path):
    rng = np.random.default_rng(1)
    samples = rng.uniform(-0.9, 0.9, (500, 3))
    for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"):
        path = tmp_path / f"{subtype}.wav"
        for kind in ("WAV", "WAVEX"):
            soundfile.write(path, samples, 44_100, subtype, format=kind)
            library, rate = soundfile.read(path, always_2d=True)
            ours = read_wav(path)
            assert ours.sample_rate_hz == rate == 44_100
            assert np.abs(ours.samples - library).max() < 1e-9


def test_a_compressed_wav_is_refused(tmp_path):
    form = struct.pack("<HHIIHH", 2, 1, 44_100, 22_050, 256, 4)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", 4) + b"abcd"
    (tmp_path / "adpcm.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    with pytest.raises(MeasureError, match=r"broken format|kind 2"):
        read_wav(tmp_path / "adpcm.wav")


# ------------------------------------------------------------------ meter


def test_a_meters_volts_become_the_table_of_a_converter_file(rig, measure):
    typed = "\n".join(f"1 {n} {(n - 36) / 12 * 1.001 - 0.002:.4f}" for n in range(36, 85, 6))
    (rig / "quad.txt").write_text(typed + "\n2 C2 0\n2 C3 1\n2 C4 2\n")
    out = measure("quad", "--volts", "quad.txt", "--out", "channels.yaml")
    # Gain 0.1 % is 1.2 cents an octave, offset -2 mV (arithmetic).
    assert "channel number 1: 9 notes, -2.00 mV at 0 V, +1.20 cents an octave" in out
    table = load_converter(rig / "channels.yaml").volts
    assert set(table) == {0, 1}
    assert table[0][0] == (36, -0.002)


def test_a_meters_slip_is_named(rig, measure):
    typed = "\n".join(f"1 {n} {(n - 36) / 12:.4f}" for n in range(36, 85, 6))
    (rig / "quad.txt").write_text(typed.replace("2.0000", "2.9000"))
    err = measure("quad", "--volts", "quad.txt", status=1)
    assert "quad.txt:5: note C4: found 2.9 V where the others expect 2.0000" in err
    assert "allowed with --volts: quad" in measure("reed", "--volts", "quad.txt", status=1)


# ------------------------------------------------------------------ two spellings


@pytest.mark.parametrize(("follow", "kept"), [("number", 1), ("volts", 0)])
def test_two_spellings_tell_what_a_virtual_converter_errs_by(rig, measure, follow, kept):
    path = rig / "rig.yaml"
    path.write_text(RIG.replace("zero_volt_note: 36", f"errors_follow: {follow}"))
    out = measure(
        "reed", "--spellings", "--virtual", "2", "--notes", "C4-C5", "--out", "channel.yaml"
    )
    assert (rig / "channel.yaml").exists() == bool(kept)
    if kept:
        assert "quad, channel number 1: its errors follow the note number: 13 notes" in out
        assert load_converter(rig / "channel.yaml").volts[0][0][0] == 60
        checks = out.splitlines()[out.splitlines().index(CHECKS) + 1 :][:4]
        assert all(abs(float(row.split()[-1])) < 0.5 for row in checks), out
    else:
        words = " ".join(out.split())
        assert "its errors follow volts and stay in this voice's curve" in words
    assert "nothing is kept" in out


def test_two_spellings_stand_alone(measure):
    assert "--spellings: found --wav beside it" in measure(
        "reed", "--spellings", "--wav", "x.wav", status=1
    )
    assert "--moved-from: found --virtual beside it" in measure(
        "reed", "--moved-from", "bass", "--virtual", status=1
    )
    assert "found 2 names; allowed with --spellings: one voice" in measure(
        "reed", "bass", "--spellings", status=1
    )
    assert "found 3 notes; needed for two spellings" in measure(
        "reed", "--spellings", "--virtual", "--notes", "C4-D4", status=1
    )


# ------------------------------------------------------------------ virtual


def test_a_virtual_voice_is_measured_and_proved_and_not_kept(rig, measure):
    out = measure("reed", "--virtual", "5", "--out", "reed.yaml")
    assert "check notes" in out
    profile = load_profile(rig / "reed.yaml")
    assert len(profile.proof) == 4
    assert max(abs(one.after_cents) for one in profile.proof) < 0.5
    assert max(abs(one.before_cents) for one in profile.proof) > 2.0
    read = {reading.note for reading in profile.readings}
    assert not read & {one.note for one in profile.proof}
    assert not (state_directory() / "profiles").exists()


class JumpingListener:
    """A listener whose voice goes sharp when the check notes are corrected."""

    def __init__(self, inside):
        self.inside = inside

    def listen(self, request):
        take = self.inside.listen(request)
        if request.purpose != "check" or request.bend_cents == 0.0:
            return take
        return replace(take, pitch=replace(take.pitch, hertz=take.pitch.hertz * 1.02))


def test_worse_than_what_is_there_is_not_kept_unless_accepted(rig, measure, capsys):
    (rig / "good.txt").write_text("".join(f"{n} 5\n" for n in NOTES))
    measure("reed", "--readings", "good.txt")
    before = stored()
    loaded = load_rig("rig.yaml")
    voice = measuring.find_voice(loaded, "reed")
    voice = replace(voice, curve=None)  # played raw the check notes have no bend
    listener = JumpingListener(VirtualListener(case_of(), 0, start_s=3000.0))
    found = measuring.by_listening(
        listener, measuring.aim_of(loaded, voice), voice, loaded.converters["quad"]
    )
    assert "cents off, where it was" in found.worse
    args = argparse.Namespace(out=None, virtual=None, accept=False, socket=None)
    assert _keep_measured(args, loaded, found) == NOT_KEPT
    assert "not kept" in capsys.readouterr().err
    assert stored() == before
    args.accept = True
    assert _keep_measured(args, loaded, found) == 0
    assert stored() != before


def test_verdict_on_check_notes():
    assert judge_check_notes(
        [CheckNoteResult(50, 8.0, 1.5), CheckNoteResult(70, -0.2, 0.5)]
    ).good  # better than before
    assert judge_check_notes([CheckNoteResult(50, 0.0, 0.9)]).good  # within a cent
    assert not judge_check_notes([CheckNoteResult(50, 0.1, 3.0)]).good
    assert not judge_check_notes([CheckNoteResult(50, 1.0, None)]).good


@pytest.mark.parametrize(
    ("text", "notes"),
    [("C2-C3/6", (36, 42, 48)), ("60,36", (60, 36)), ("-1", None), ("C3-C2", None), ("x", None)],
)
def test_lists_of_notes(text, notes):
    if notes is None:
        with pytest.raises(MeasureError, match="--notes: found"):
            parse_note_list(text)
    else:
        assert parse_note_list(text) == notes


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["lute", "--virtual"], "found no voice lute; allowed: reed, bass"),
        (["reed", "--virtual", "--tolerance", "0"], "--tolerance: found 0"),
        (["reed", "--virtual", "--notes", "20,60"], "found the note 20; allowed: 36 to 84"),
        (["reed", "--undo"], "reed"),
    ],
)
def test_what_cannot_be_done_is_one_clear_line(measure, arguments, words):
    err = measure(*arguments, status=1)
    assert words in err
    assert len(err.splitlines()) == 1
