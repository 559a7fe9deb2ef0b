"""Measuring by the commands a player types: a soft synth that tracks badly, real MIDI and audio.

The synth rounds every pitch down to a whole cent and its bends come out 1 % narrow (measured),
so that nothing played through it can be known better than to about a cent.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import parselmouth
import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess
from kit.jack import (
    RATE_HZ,
    SOUND_FONT,
    SQUARE_LEAD,
    STEADY_REED,
    AudioRecorder,
    Hum,
    JackServer,
    MidiRecorder,
    MidiSender,
    OscillatorBank,
    jack_is_installed,
    wait_until,
)

pytestmark = pytest.mark.skipif(
    not jack_is_installed() or not SOUND_FONT.exists(),
    reason="jackd2, fluidsynth or timgm6mb-soundfont is not installed",
)
PERIOD = 1024  # short ones overrun on a busy machine, and each overrun voids a take
LOWEST, HIGHEST = 48, 72
DETUNES = (
    lambda key: -9.0 + 0.9 * (key - 60) if key < 60 else -9.0 + 1.6 * (key - 60),
    lambda key: 11.0 + 0.5 * (key - 60),
)
GOOD_CENTS = 1.6
HEADING = "voice       before      now known to  what to do"
RIG = """\
inputs:
  keys: {{port: "keys:out"}}
converters:
  quad:
    port: "osc:midi_00"
    converter: {{gate_gap_ms: 2, lowest_note: {lowest}, highest_note: {highest}}}
audio_inputs:
  left: {{device: osc, channel_number: 1}}
  right: {{device: osc, channel_number: 3}}
  empty: {{device: osc, channel_number: 5}}
  hum: {{device: hum, channel_number: 1}}
voices:
  reed: {{converter: quad, channel_number: 1, input: {reed}{more}}}
  horn: {{converter: quad, channel_number: 2, input: {horn}{more}}}
"""


class MeasuringHarness:
    """A daemon that plays the synth, its keyboard, and a sender that reaches the synth directly."""

    def __init__(
        self,
        server: JackServer,
        keys: MidiSender,
        hand: MidiSender,
        daemon: DaemonProcess,
        rig: Path,
    ):
        self.server, self.keys, self.hand = server, keys, hand
        self.daemon, self.rig = daemon, rig

    def start(self, *arguments: str) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [*ZEROBEAT, *arguments],
            env=self.daemon.environment,
            text=True,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )

    def zerobeat(self, *arguments: str, status: int = 0, timeout_s: float = 150.0) -> str:
        """Run a command; return what it prints, with its errors."""
        with self.start(*arguments) as process:
            out, err = process.communicate(timeout=timeout_s)
        assert process.returncode == status, (out, err)
        if "--json" not in arguments:
            assert all(len(line) <= 80 for line in out.splitlines()), out
        assert "Traceback" not in err
        return out + err

    def status(self) -> dict:
        return json.loads(self.zerobeat("status", "--json"))

    def plays(self) -> bool:
        """Return whether a daemon answers."""
        with self.start("status", "--json") as process:
            process.communicate(timeout=20)
        return process.returncode == 0

    def profiles(self) -> list[str]:
        return sorted(p.name for p in (self.daemon.folder / "state").glob("profiles/*.yaml"))

    def heard_cents(self, voice: int, *notes: int) -> list[float]:
        """Play keys and return how far each is off its written pitch, by Praat."""
        found = []
        with AudioRecorder([f"osc:l_{voice:02d}"]) as tape:
            for note in notes:
                self.keys.send(bytes((0x90, note, 100)))
                time.sleep(0.25)
                found.append(praat_cents(tape.record(0.3)[:, 0], note))
                self.keys.send(bytes((0x80, note, 64)))
                time.sleep(0.15)
        return found


def praat_cents(sound: np.ndarray, note: int) -> float:
    written_hz = 440.0 * 2.0 ** ((note - 69) / 12)  # A4: ISO 16
    pitch = parselmouth.Sound(sound.astype(float), RATE_HZ).to_pitch_ac(
        pitch_floor=0.7 * written_hz, pitch_ceiling=1.4 * written_hz, very_accurate=True
    )
    heard_hz = pitch.selected_array["frequency"]
    assert np.any(heard_hz > 0), f"note {note}: no pitch"
    return float(1200.0 * np.log2(np.median(heard_hz[heard_hz > 0]) / written_hz))


@contextlib.contextmanager
def measuring_harness(
    folder: Path,
    reed: str = "left",
    horn: str = "right",
    more: str = "",
    gain: float = 0.3,
    program: int = STEADY_REED,
) -> Iterator[MeasuringHarness]:
    rig = folder / "rig.yaml"
    rig.write_text(RIG.format(lowest=LOWEST, highest=HIGHEST, reed=reed, horn=horn, more=more))
    with (
        JackServer(PERIOD) as server,
        MidiSender("keys") as keys,
        MidiSender("hand") as hand,
        OscillatorBank(DETUNES, program=program, gain=gain) as bank,
    ):
        server.wait_for_port(bank.audio_port(1))
        server.connect(hand.name, bank.midi_port)
        with DaemonProcess(rig, server.environment) as daemon:
            daemon.wait_for_line("connected: input keys, output quad")
            yield MeasuringHarness(server, keys, hand, daemon, rig)


def test_two_voices_are_measured_side_by_side_and_then_in_tune(tmp_path):
    """Check notes among those that were no readings; judged by Praat."""
    with measuring_harness(tmp_path) as case:
        before = [case.heard_cents(voice, 50, 57, 71) for voice in (0, 1)]
        assert max(map(abs, before[0])) > 10 and max(map(abs, before[1])) > 10
        said = case.zerobeat(
            "measure", "--all", "--notes", "48-72/6", "--tolerance", "1.5", "--yes"
        )
        assert "a loud one hurts ears" in said
        assert "reed is measured" in said and "horn is measured" in said
        assert "in unison at C4, cents off: reed" in said
        table = said.splitlines()[said.splitlines().index(HEADING) :]
        assert [line.split()[0] for line in table[1:] if line[0] != " "] == ["reed", "horn"]
        assert "reed: read from osc at 48000 Hz; its clock +0 ppm" in said  # A4, A11
        stored = case.daemon.folder / "state/profiles/reed.yaml"
        assert "48000 Hz" in stored.read_text()
        assert case.profiles() == ["horn.yaml", "reed.yaml"]
        assert case.status()["measuring"] == []
        for voice in (0, 1):
            after = case.heard_cents(voice, 50, 57, 71)
            assert max(map(abs, after)) < GOOD_CENTS, after
        said = case.zerobeat("soundcheck", "reed", "horn", "--yes")
        assert said.count(" ready ") == 2 and "NOT READY" not in said
        assert said.splitlines()[-3] == HEADING and said.count("  ready\n") == 2
        assert "a loud one hurts ears" not in said  # once a day in full
        assert "caution: monitors and headphones down" in said


def test_a_touch_up_takes_out_a_drift(tmp_path):
    """The synth is retuned behind the daemon's back (RPN 1, fine tuning), by 10 cents."""
    with measuring_harness(tmp_path) as case:
        case.zerobeat("measure", "reed", "--notes", "48-72/8", "--no-check")
        # The profile is the daemon's, wherever the commands would look for their own.
        case.daemon.environment["STATE_DIRECTORY"] = str(tmp_path / "elsewhere")
        for content in ((0xB0, 101, 0), (0xB0, 100, 1), (0xB0, 6, 70), (0xB0, 38, 51)):
            case.hand.send(bytes(content))
        assert min(case.heard_cents(0, 50, 57, 71)) > 7.0
        said = case.zerobeat("touchup", "reed")
        assert "an octave taken out" in said
        after = case.heard_cents(0, 50, 57, 71)
        assert max(map(abs, after)) < GOOD_CENTS + 0.5, after  # it has two readings only


class Dropouts:
    """Stops a command's recorder again and again, so that its buffers overflow."""

    def __init__(self, command: subprocess.Popen[str]) -> None:
        self._command = command
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _recorders(self) -> list[int]:
        found = []
        for path in Path("/proc").glob("[0-9]*/stat"):
            with contextlib.suppress(OSError):
                child = path.read_text().rpartition(")")[2].split()[1] == str(self._command.pid)
                if child and b"recorder" in path.with_name("cmdline").read_bytes():
                    found.append(int(path.parent.name))
        return found

    def _run(self) -> None:
        while not self._ended.wait(0.05):
            for pid in self._recorders():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGSTOP)
                    time.sleep(0.25)
                    os.kill(pid, signal.SIGCONT)

    def end(self) -> None:
        self._ended.set()
        self._thread.join()


def test_lost_sound_is_waited_out_and_nothing_read_is_lost(tmp_path):
    with measuring_harness(tmp_path) as case:
        arguments = ("measure", "reed", "--notes", "48-72/4", "--no-check")
        with case.start(*arguments) as process:
            assert process.stdout is not None
            time.sleep(4.0)  # it has begun
            dropouts = Dropouts(process)
            said = []
            try:
                for line in process.stdout:
                    said.append(line.rstrip())
                    if line.startswith("what was read is kept"):
                        break
                    assert not line.startswith("reed is measured"), "it ended before"
            finally:
                dropouts.end()
            rest, err = process.communicate(timeout=120.0)
        assert process.returncode == 0, (said, rest, err)
        assert "osc: sound was lost in 8 takes in a row" in said
        assert any(line.startswith("likely cause: ") for line in said)
        assert any("remedy: " in line and "period" in line for line in said)
        assert "osc: the sound is whole again; going on" in rest
        assert "reed is measured" in rest
        assert case.profiles() == ["reed.yaml"]


def test_swapped_cables_are_named_and_nothing_is_kept(tmp_path):
    with measuring_harness(tmp_path, reed="right", horn="left") as case:
        said = case.zerobeat("measure", "reed", status=3)
        assert "reed: the voice horn answers on input right: are two cables swapped?" in said
        assert "the profile in force is unchanged" in said
        said = case.zerobeat("soundcheck", "reed", "--yes", status=1)
        assert "NOT READY the voice horn answers on this input: swap the two cables" in said
        assert case.profiles() == []


def test_silence_and_a_second_oscillator_are_refused(tmp_path):
    with measuring_harness(tmp_path, reed="empty") as case:
        said = case.zerobeat("measure", "reed", status=3)
        assert "reed: can't be heard on input empty: silent: nothing is sounding" in said
        case.hand.send(bytes((0x91, 55, 100)))
        said = case.zerobeat("measure", "horn", status=1)
        assert "input right: " in said and "with every gate closed" in said
        case.hand.send(bytes((0x81, 55, 64)))
        assert case.profiles() == []


def test_a_key_stops_a_measurement_and_plays(tmp_path):
    with measuring_harness(tmp_path) as case, case.start("measure", "reed") as process:
        wait_until(lambda: case.status()["measuring"] == ["reed"], 20.0)
        time.sleep(0.5)
        case.keys.send(bytes((0x90, 60, 100)))
        _out, err = process.communicate(timeout=20)
        assert process.returncode == 1
        assert "measuring stopped by a key; nothing is changed" in err
        shown = case.status()
        assert [voice["key"] for voice in shown["voices"]] == [60, 60]
        assert case.profiles() == []


def test_a_voice_whose_profile_could_not_be_kept_is_refused_before_any_work(tmp_path):
    with measuring_harness(tmp_path, more=", profile: none") as case:
        said = case.zerobeat("measure", "reed", status=1)
        assert "reed: the rig says profile: none; take that out of its line" in said


@pytest.mark.parametrize("end", ["ctrl-c", "killed", "daemon gone"])
def test_a_measurement_that_ends_early_leaves_nothing_sounding(tmp_path, end):
    with measuring_harness(tmp_path) as case, case.start("measure", "reed") as process:
        wait_until(lambda: case.status()["measuring"] == ["reed"], 20.0)
        if end == "daemon gone":
            case.daemon.stop()
            _, err = process.communicate(timeout=20)
            assert process.returncode == 1 and "zerobeat has stopped" in err
            return
        process.send_signal(signal.SIGINT if end == "ctrl-c" else signal.SIGKILL)
        _out, err = process.communicate(timeout=20)
        assert process.returncode == (130 if end == "ctrl-c" else -9)
        assert "Traceback" not in err
        wait_until(lambda: case.status()["measuring"] == [], 5.0)
        assert not any(voice["gate"] for voice in case.status()["voices"])
        assert case.profiles() == []


def test_without_a_daemon_one_is_started_and_stopped(tmp_path):
    with measuring_harness(tmp_path) as case:
        case.daemon.stop()
        said = case.zerobeat("tune", "horn", "--note", "C4", "--once", "--rig", str(case.rig))
        assert "no zerobeat plays; starting one with" in said
        assert "cents sharp: tune it down" in said
        missing = case.zerobeat("status", "--once", status=1)
        assert "no zerobeat plays here" in missing


def test_trim_and_warmup_follow_a_voice(tmp_path):
    with measuring_harness(tmp_path) as case:
        said = case.zerobeat("trim", "horn", "--low", "48", "--high", "72", "--rounds", "2")
        assert "cents an octave: wide: flatten the high note" in said
        stretch = float(said.rpartition("at first, ")[2].split()[0])
        assert stretch == pytest.approx(6.0, abs=1.0)  # as the synth was tuned
        said = case.zerobeat("warmup", "--all", "--every", "1", "--minutes", "0.05", status=1)
        assert "reed" in said and "horn" in said and "not settled yet" in said


@pytest.mark.slow
def test_warmup_ends_by_itself_once_all_have_settled(tmp_path):
    """A soft synth does not drift, so it takes the three minutes that are watched at least."""
    with measuring_harness(tmp_path) as case:
        started_s = time.monotonic()
        said = case.zerobeat("warmup", "--all", "--every", "10", "--minutes", "6", timeout_s=400.0)
        assert 180.0 <= time.monotonic() - started_s < 240.0
        assert "reed" in said and said.rstrip().endswith("all settled")


def test_struck_voices_and_a_tap_before_the_vca_are_read(tmp_path):
    """Struck again for each reading; a tap before the VCA gets a short, soft note."""
    with measuring_harness(tmp_path, more=", excite: strike") as case:
        said = case.zerobeat("touchup", "horn", "--dry-run")
        assert "horn: +1" in said and "an octave taken out" in said


def test_a_tap_before_the_vca_gets_a_short_soft_note(tmp_path):
    """Nobody at the concert hears it: velocity 1, and the gate closed before the take."""
    with measuring_harness(tmp_path, more=", tap: before_vca") as case, MidiRecorder("tap") as tap:
        case.server.connect("zerobeat out quad:midi", tap.name)
        said = case.zerobeat("touchup", "reed", "--dry-run", "--yes", status=1)
        assert "reed: silent: nothing is sounding" in said  # the synth has no such tap
        notes = [(at_s, c) for at_s, c in tap.wait_for_silence() if c[0] in (0x90, 0x80)]
        assert len(notes) >= 4
        for (on_s, on), (off_s, off) in zip(notes[::2], notes[1::2], strict=True):
            assert (on[0], off[0]) == (0x90, 0x80) and on[1] == off[1]
            assert on[2] == 1 and off_s - on_s < 0.3


def test_by_ear_the_wheel_moves_a_voice_and_enter_keeps_it(tmp_path):
    """Reed and horn are 20 cents apart at C4; the player takes 15 of them out."""
    with measuring_harness(tmp_path) as case:
        arguments = ("touchup", "horn", "--by-ear", "--against", "reed")
        process = subprocess.Popen(
            [*ZEROBEAT, *arguments],
            env=case.daemon.environment,
            text=True,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        with process:
            wait_until(lambda: case.status()["measuring"] == ["reed", "horn"], 20.0)
            with AudioRecorder(["osc:l_00", "osc:l_01"]) as tape:
                time.sleep(0.5)
                apart = [praat_cents(column, 60) for column in tape.record(0.3).T]
                case.keys.send(bytes((0xE0, 0x00, 0x20)))  # half way down: 12.5 cents
                time.sleep(1.5)
                closer = [praat_cents(column, 60) for column in tape.record(0.3).T]
            assert apart[1] - apart[0] == pytest.approx(20.0, abs=1.2)
            assert closer[1] - closer[0] == pytest.approx(7.5, abs=1.5)
            out, _err = process.communicate("-2.5\n\n", timeout=20)
            assert process.returncode == 0 and "horn: moved by -15.00 cents, kept" in out
        shown = next(voice for voice in case.status()["voices"] if voice["name"] == "horn")
        assert shown["touch_up"]["offset_cents"] == pytest.approx(15.0)
        case.keys.send(bytes((0xE0, 0x00, 0x40)))
        reed, horn = case.heard_cents(0, 60), case.heard_cents(1, 60)
        assert horn[0] - reed[0] == pytest.approx(5.0, abs=1.5)


def test_a_drone_on_the_same_input_is_named_and_its_key_comes_back(tmp_path):
    """The player turns the drone down by hand; with --yes nothing waits for that."""
    with measuring_harness(tmp_path, horn="left", more=", gate: ignored") as case:
        with case.start("tune", "reed", "--once") as process:
            wait_until(lambda: case.status()["presses"] == 0, 5.0)
            time.sleep(4.0)
            assert process.poll() is None  # it waits for a press
            case.keys.send(bytes((0x90, 60, 100)))
            case.keys.send(bytes((0x80, 60, 64)))
            out, _ = process.communicate(timeout=20)
        assert "reed: turn the level of horn down: only reed may be heard on left" in out
        assert "then press a key, a pedal or Enter to go on" in out
        assert process.returncode == 0, out
        assert case.zerobeat("tune", "reed", "--once", "--yes").count("press a key") == 0


def test_an_overloaded_input_is_reported(tmp_path):
    """Requirement A7; the synth puts out many times full scale."""
    with measuring_harness(tmp_path, gain=10.0, program=SQUARE_LEAD) as case:
        said = case.zerobeat("tune", "reed", "--once", status=1)
        assert "overload: the input is overloaded; turn the level down" in said


def test_hum_is_no_voice(tmp_path):
    """A cable that lies loose hums; what is there with every gate closed is not the voice."""
    with measuring_harness(tmp_path, reed="hum") as case, Hum():
        said = case.zerobeat("measure", "reed", status=3)
        assert "reed: can't be heard on input hum: " in said
        assert "the profile in force is unchanged" in said and case.profiles() == []


@pytest.mark.parametrize(
    "number",
    [
        signal.SIGTERM,
        pytest.param(signal.SIGHUP, marks=pytest.mark.slow),
        pytest.param(signal.SIGKILL, marks=pytest.mark.slow),
    ],
)
def test_a_command_that_is_stopped_or_killed_takes_the_daemon_it_started_along(tmp_path, number):
    with measuring_harness(tmp_path) as case:
        case.daemon.stop()
        with case.start("warmup", "reed", "--every", "60", "--rig", str(case.rig)) as process:
            wait_until(lambda: process.poll() is not None or case.plays(), 30.0)
            time.sleep(3.0)
            process.send_signal(number)
            process.communicate(timeout=20)
            killed = number == signal.SIGKILL
            assert process.returncode == (-number if killed else 128 + number)
        wait_until(lambda: not case.plays(), 5.0 if killed else 0.1)
