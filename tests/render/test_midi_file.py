"""``render``: the bytes of ``run``, the tempo map kept, one clear line for a bad file."""

from __future__ import annotations

import mido
import pytest

from kit.daemon_process import DaemonProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed
from zerobeat.cli import main
from zerobeat.render.midi_file import TempoMap

RIG = """\
inputs:
  keys: {port: "keys:out"}
converters:
  quad: {port: "quad:in", converter: quad}
voices:
  reed: {converter: quad, channel_number: 1, profile: reed-oscillator}
"""


@pytest.fixture
def song(tmp_path):
    (tmp_path / "rig.yaml").write_text(RIG)
    file = mido.MidiFile(type=1, ticks_per_beat=96)
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=600_000))
    track.append(mido.Message("note_on", note=60, velocity=90, time=96))
    track.append(mido.Message("note_off", note=60, time=96))
    track.append(mido.MetaMessage("set_tempo", tempo=400_000, time=0))
    track.append(mido.Message("note_on", note=72, velocity=90, time=96))
    file.tracks.append(track)
    file.save(tmp_path / "in.mid")
    return tmp_path


def run(folder, source="in.mid", target="out.mid"):
    names = [str(folder / name) for name in ("rig.yaml", source, target)]
    return main(["render", "--rig", *names])


def test_notes_keep_their_times_and_get_their_offs(song):
    assert run(song) == 0
    file = mido.MidiFile(song / "out.mid")
    tempos = [m.tempo for m in file.tracks[0] if m.type == "set_tempo"]
    assert tempos == [600_000, 400_000]
    at_s, ons, offs = 0.0, [], []
    for message in file:
        at_s += message.time
        if message.type == "note_on":
            ons.append((round(at_s, 3), message.note))
        elif message.type == "note_off":
            offs.append((round(at_s, 3), message.note))
    # 96 ticks of 600 ms, then of 400 ms; the quad settles 1 ms after a changed bend.
    assert ons == [(0.601, 60), (1.601, 72)]
    assert offs == [(1.2, 60), (1.601, 72)]


CLOCKED = """\
inputs:
  keys: {port: "keys:out"}
  steps: {port: "steps:out"}
converters:
  octo:
    port: "octo:in"
    converter: {bend_range_semitones: 24, bend_range: fixed}
    pass: [clock]
voices:
  reed: {converter: octo, channel_number: 1, profile: none}
clock_from: steps
scene: {hold: sample, regate: true, triggers: [{clock: {every: 1, unit: beats}}]}
"""


def test_a_files_tempo_is_the_clock_of_a_rig_that_has_one(song):
    """Hold sample on the beat: the key of 600 ms is read with its clock, at both tempos."""
    (song / "rig.yaml").write_text(CLOCKED)
    file = mido.MidiFile(type=1, ticks_per_beat=96)
    track = mido.MidiTrack()
    track.append(mido.MetaMessage("set_tempo", tempo=600_000))
    track.append(mido.Message("note_on", note=60, velocity=90, time=48))  # half a beat
    track.append(mido.Message("note_on", note=64, velocity=80, time=24))
    track.append(mido.MetaMessage("set_tempo", tempo=400_000, time=120))  # beat 2
    track.append(mido.Message("note_on", note=67, velocity=70, time=48))
    track.append(mido.Message("note_off", note=67, time=192))
    file.tracks.append(track)
    file.save(song / "in.mid")
    assert run(song) == 0
    at_s, ons = 0.0, []
    for message in mido.MidiFile(song / "out.mid"):
        at_s += message.time
        if message.type == "note_on":
            ons.append((round(at_s, 3), message.note))
    # Beats at 0, 0.6, 1.2, then each 0.4 s; read 3 ms later, the gate open 2 ms after its off.
    assert ons == [
        (0.3, 60),
        (0.452, 60),
        (0.605, 64),
        (1.205, 64),
        (1.402, 64),
        (1.605, 67),
        (2.005, 67),
    ]


def test_the_same_file_renders_to_the_same_bytes(song):
    assert run(song) == 0 and run(song, target="again.mid") == 0
    assert (song / "out.mid").read_bytes() == (song / "again.mid").read_bytes()


@pytest.mark.parametrize(
    "content", [b"", b"MThd", b"not midi at all", b"MThd\0\0\0\6\0\2\0\1\0\x60"]
)
def test_a_bad_file_is_one_line_and_nothing_is_written(song, content, capsys):
    (song / "bad.mid").write_bytes(content)
    assert run(song, source="bad.mid") == 1
    error = capsys.readouterr().err
    assert error.startswith(str(song / "bad.mid")) and len(error.splitlines()) == 1
    assert not (song / "out.mid").exists()


def test_in_and_out_may_not_be_one_file(song, capsys):
    before = (song / "in.mid").read_bytes()
    assert run(song, target="in.mid") == 1
    assert (song / "in.mid").read_bytes() == before


def test_ticks_and_seconds_are_each_others_inverse():
    # SMF 1.0: 120 a minute is 500,000 microseconds a quarter note.
    tempo_map = TempoMap([(0, 500_000), (96, 428_571)], 96)
    assert tempo_map.seconds(96) == pytest.approx(0.5)
    assert all(tempo_map.tick(tempo_map.seconds(tick)) == tick for tick in range(0, 500, 7))


# ------------------------------------------------------------ as run plays

CASE = """\
inputs:
  keys: {port: "keys:out"}
converters:
  quad: {port: "quad:in", converter: {gate_gap_ms: 2}}
  octo: {port: "octo:in", converter: {gate_gap_ms: 2}}
voices:
  reed: {converter: quad, channel_number: 1, profile: reed-oscillator}
  horn: {converter: quad, channel_number: 2, profile: horn-oscillator}
  glass: {converter: octo, channel_number: 1, profile: glass-oscillator}
"""


def write_playing(folder):
    """Write a file of notes, chords, an overlap, wheel and sustain, with rests between them."""
    (folder / "rig.yaml").write_text(CASE)
    file = mido.MidiFile(type=1, ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    on, off, wheel, pedal = "note_on", "note_off", "pitchwheel", "control_change"
    for kind, values in [
        (on, {"note": 60}),
        (off, {"note": 60}),
        (on, {"note": 43}),
        (on, {"note": 55}),
        (off, {"note": 43}),
        (off, {"note": 55}),
        (pedal, {"control": 64, "value": 127}),
        (on, {"note": 71}),
        (off, {"note": 71}),
        (pedal, {"control": 64, "value": 0}),
        (on, {"note": 64}),
        (wheel, {"pitch": 4000}),
        (wheel, {"pitch": -2000}),
        (wheel, {"pitch": 0}),
        (off, {"note": 64}),
        (on, {"note": 79}),
        (off, {"note": 79}),
    ]:
        # 48 ticks are 50 ms: more than any gap that the wire keeps, however late a byte is.
        track.append(mido.Message(kind, time=48, **values))
    file.save(folder / "in.mid")


def rendered(folder):
    """Return the bytes of each track but the first, by the track's name."""
    file = mido.MidiFile(folder / "out.mid")
    return {
        track.name: [bytes(m.bytes()) for m in track if not m.is_meta] for track in file.tracks[1:]
    }


@pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
def test_run_sends_what_render_writes(tmp_path):
    write_playing(tmp_path)
    assert run(tmp_path) == 0
    expected = rendered(tmp_path)
    assert set(expected) == {"quad", "octo"} and min(map(len, expected.values())) > 20
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiRecorder("quad") as quad,
        MidiRecorder("octo") as octo,
        DaemonProcess(tmp_path / "rig.yaml", server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, output quad, output octo")
        octo.wait_for_silence()
        for message in mido.MidiFile(tmp_path / "in.mid").play():
            keys.send(message.bytes())
        quad.wait_for(len(expected["quad"]))
        octo.wait_for(len(expected["octo"]))
        assert daemon.stop() == 0
        for recorder, name in ((quad, "quad"), (octo, "octo")):
            assert [content for _, content in recorder.wait_for_silence()] == expected[name]


def test_a_files_tuning_messages_set_the_scale(song):
    rig = song / "rig.yaml"
    rig.write_text("tuning_from: keys\n" + RIG.replace("reed-oscillator", "none"))
    file = mido.MidiFile(song / "in.mid")
    content = bytes.fromhex("7F7F080200013C3C4000")  # key 60 is 50 cents sharp
    file.tracks[0].insert(1, mido.Message("sysex", data=content))
    file.save(song / "in.mid")
    assert run(song) == 0
    sent = [m for m in mido.MidiFile(song / "out.mid") if m.type in ("pitchwheel", "note_on")]
    assert [(m.type, getattr(m, "pitch", None)) for m in sent] == [
        ("pitchwheel", 2048),  # 50 of 200 cents
        ("note_on", None),
        ("pitchwheel", 0),
        ("note_on", None),
    ]
