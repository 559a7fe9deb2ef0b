"""``zerobeat run`` as a real process on a real JACK server.

Where a peer or the daemon is killed, the server is asynchronous: a synchronous one waits
some five seconds for each dead client before it lets anybody in.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, MidiSenderProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client
from zerobeat.errors import CommandError, ConfigError
from zerobeat.state.state_directory import load_rig

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")

ON = bytes.fromhex("903c64")
OFF = bytes.fromhex("803c40")
RANGES = [  # RPN 0, two semitones, RPN null: MIDI 1.0 Detailed Specification, p. 18
    bytes((0xB0 | channel, controller, value))
    for channel in range(8)
    for controller, value in ((101, 0), (100, 0), (6, 2), (38, 0), (101, 127), (100, 127))
]
BENDS = [bytes((0xE0 | channel, 0, 0x40)) for channel in range(8)]
NOTE_ONS = [bytes((0x90 | channel, 0x3C, 0x64)) for channel in range(8)]
NOTE_OFFS = [bytes((0x80 | channel, 0x3C, 0x40)) for channel in range(8)]


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    return write_rig(tmp_path)


def contents(recorder: MidiRecorder, after: int = 0) -> list[bytes]:
    return [content for _, content in recorder.heard[after:]]


def settle(daemon: DaemonProcess, recorder: MidiRecorder) -> int:
    """Wait until the daemon is connected and has set up its converter; return what was heard."""
    daemon.wait_for_line("connected: input keys, output octo")
    return len(recorder.wait_for(len(RANGES)))


def press(keys: MidiSender | MidiSenderProcess, recorder: MidiRecorder) -> list[bytes]:
    """Hold a key that strikes 8 voices; return what it made."""
    before = len(recorder.heard)
    keys.send(ON)
    wait_until(lambda: sum(c[0] & 0xF0 == 0x90 for c in contents(recorder, before)) >= 8)
    return contents(recorder, before)


def ask(*arguments: str | Path, environment: dict[str, str]) -> subprocess.CompletedProcess[str]:
    command = [*ZEROBEAT, *map(str, arguments)]
    return subprocess.run(command, env=environment, capture_output=True, text=True, timeout=30)


# ------------------------------------------------------------ start


def test_a_key_comes_out_on_all_voices_bends_first(server, rig):  # B1, B3
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        assert settle(daemon, octo) == len(RANGES)
        assert contents(octo) == RANGES
        assert press(keys, octo) == BENDS + NOTE_ONS
        keys.send(OFF)
        octo.wait_for(len(RANGES) + 24)
        assert contents(octo)[-8:] == NOTE_OFFS
        assert daemon.stop() == 0
        assert daemon.lines()[-1] == "zerobeat stopped (SIGTERM); every note released"


def test_the_start_line_says_what_is_connected_and_what_is_missing(server, rig):
    with MidiSender("keys"), DaemonProcess(rig, server.environment) as daemon:
        assert daemon.wait_for_line("zerobeat plays") == (
            "zerobeat plays 8 voices, scene plain; connected: input keys; "
            "waiting for: output octo (missing: octo:in)"
        )


def test_ports_that_come_after_the_start_are_picked_up(server, rig):  # S6
    with DaemonProcess(rig, server.environment) as daemon:
        assert "connected: nothing" in daemon.wait_for_line("zerobeat plays")
        with MidiRecorder("octo") as octo, MidiSender("keys") as keys:
            daemon.wait_for_line("input keys: connected")
            daemon.wait_for_line("output octo: connected")
            octo.wait_for(len(RANGES))
            assert press(keys, octo) == BENDS + NOTE_ONS
            assert daemon.stop() == 0
            octo.wait_for(len(RANGES) + 24)
            assert contents(octo)[-8:] == NOTE_OFFS


def test_a_broken_rig_is_refused_with_file_and_line(server, rig):  # C2
    rig.write_text(rig.read_text().replace("channel_number: 3", "channel_number: 17"))
    line = 1 + rig.read_text().splitlines().index("  v3: {converter: octo, channel_number: 17}")
    done = ask("run", rig, environment=server.environment)
    assert done.returncode == 78  # EX_CONFIG of sysexits.h
    assert done.stderr.startswith(f"{rig}:{line}: voices.v3.channel_number: found 17; allowed: ")
    assert "1 problem" in done.stderr and "Traceback" not in done.stderr


def test_without_any_midi_there_is_one_clear_line(rig, tmp_path):
    if Path("/dev/snd/seq").exists():
        pytest.skip("this machine has ALSA's sequencer")
    environment = os.environ | {
        "JACK_DEFAULT_SERVER": "nobody",
        "XDG_RUNTIME_DIR": str(tmp_path),
    }
    done = ask("run", rig, environment=environment)
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith("no MIDI here: /dev/snd/seq is missing (try: modprobe snd-seq)")


def test_a_second_daemon_names_the_first_and_touches_nothing(server, rig):  # M20
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        before = settle(daemon, octo)
        done = ask("run", rig, environment=daemon.environment)
        assert done.returncode == 1
        assert done.stderr == f"zerobeat plays already, as process {daemon.pid}; stop it first\n"
        assert len(octo.wait_for_silence()) == before
        assert press(keys, octo) == BENDS + NOTE_ONS


# ------------------------------------------------------------ what comes and goes


def test_a_keyboard_that_vanishes_lets_go_its_keys(loose_server, rig):  # N10
    environment = loose_server.environment
    with (
        MidiSenderProcess("keys", environment) as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, environment) as daemon,
    ):
        settle(daemon, octo)
        press(keys, octo)
        keys.kill()
        daemon.wait_for_line("input keys: lost keys:out")
        octo.wait_for(len(RANGES) + 24)
        assert contents(octo)[-8:] == NOTE_OFFS
        with MidiSenderProcess("keys", environment) as again:
            daemon.wait_for_line("input keys: connected")
            assert press(again, octo) == NOTE_ONS  # the bends stand


@pytest.mark.parametrize("meanwhile", ["held", "released"])
def test_a_converter_that_returns_is_silenced_first(server, rig, meanwhile):  # N11
    with MidiSender("keys") as keys, DaemonProcess(rig, server.environment) as daemon:
        with MidiRecorder("octo") as octo:
            settle(daemon, octo)
            press(keys, octo)
        daemon.wait_for_line("output octo: lost octo:in")
        if meanwhile == "released":
            keys.send(OFF)
        with MidiRecorder("octo") as back:
            daemon.wait_for_line("output octo: connected")
            back.wait_for(8 + len(RANGES) + 8)
            # Notes that were open, ranges, bends; the key that is still down is not struck again.
            assert [c for _, c in back.wait_for_silence()] == NOTE_OFFS + RANGES + BENDS
            keys.send(OFF)
            assert press(keys, back) == NOTE_ONS


def test_a_converter_that_returns_sounds_held_keys_if_the_rig_asks_for_it(server, tmp_path):  # N11
    """After ranges, bends and 20 ms of settling, and only the key that is still down."""
    path = write_rig(tmp_path, more="on_return: strike\nscene: {assign: rotate}\n")
    path.write_text(path.read_text().replace("gate_gap_ms: 2", "gate_gap_ms: 2, settle_ms: 20"))
    with (
        MidiSender("keys") as keys,
        DaemonProcess(path, server.environment) as daemon,
    ):
        with MidiRecorder("octo") as octo:
            daemon.wait_for_line("output octo")
            octo.wait_for_silence()
            keys.send(b"\xb0\x40\x7f")  # the first key is kept by the pedal alone
            for message in (b"\x90\x3c\x64", b"\x80\x3c\x40", b"\x90\x40\x50", b"\x90\x43\x60"):
                keys.send(message)
            octo.wait_for_silence()
        daemon.wait_for_line("output octo: lost octo:in")
        keys.send(b"\x80\x43\x40")
        keys.send(b"\xb0\x40\x00")
        with MidiRecorder("octo") as back:
            daemon.wait_for_line("output octo: connected")
            sent = back.wait_for_silence()
            strikes = [(at_s, c) for at_s, c in sent if c[0] & 0xF0 == 0x90]
            assert [c for _, c in strikes] == [b"\x91\x40\x50"]
            bends_s = max(at_s for at_s, c in sent if c[0] & 0xF0 == 0xE0)
            assert strikes[0][0] - bends_s >= 0.014  # 20 ms, less two periods of the server
            keys.send(b"\x80\x40\x40")
            back.wait_for(len(sent) + 1)
            assert back.heard[-1][1] == b"\x81\x40\x40"


# ------------------------------------------------------------ stop


def test_stop_releases_eight_held_notes_every_time(server, rig, request):  # M15, N12
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        for run in range(100 if request.config.getoption("--slow") else 20):
            if run:
                daemon.start()
            octo.heard.clear()
            settle(daemon, octo)
            press(keys, octo)
            assert daemon.stop((signal.SIGTERM, signal.SIGINT)[run % 2]) == 0
            octo.wait_for(len(RANGES) + 24)
            assert contents(octo) == RANGES + BENDS + NOTE_ONS + NOTE_OFFS


def start_again(daemon: DaemonProcess, server: JackServer) -> None:
    """Start after a kill, once the server has noticed it."""
    wait_until(lambda: not server.ports("zerobeat"), 10.0, "the end of its ports")
    daemon.start()
    daemon.wait_for_line("connected: input keys, output octo")


def test_after_a_kill_the_next_start_releases_what_sounds_before_all_else(loose_server, rig):  # N12
    environment = loose_server.environment
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, environment) as daemon,
    ):
        settle(daemon, octo)
        press(keys, octo)
        daemon.kill()
        before = len(octo.wait_for_silence())
        start_again(daemon, loose_server)
        octo.wait_for(before + 8 + len(RANGES))
        assert contents(octo, before) == NOTE_OFFS + RANGES
        assert press(keys, octo) == BENDS + NOTE_ONS


def test_a_note_released_before_the_kill_is_not_released_again(loose_server, rig):
    environment = loose_server.environment
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, environment) as daemon,
    ):
        settle(daemon, octo)
        press(keys, octo)
        keys.send(OFF)
        octo.wait_for(len(RANGES) + 24)
        before = len(octo.wait_for_silence())  # the marks are cleared once the bytes have left
        daemon.kill()
        start_again(daemon, loose_server)
        octo.wait_for(before + len(RANGES))
        assert [c for _, c in octo.wait_for_silence()][before:] == RANGES


# ------------------------------------------------------------ reload


def broken_rigs(text: str, count: int) -> Iterator[str]:
    """Yield rigs with faults: half-written, misspelt, out of range, no YAML at all."""
    yield ""
    yield "\x00\x01\x02"
    yield "inputs: [\n"
    yield text.replace("inputs:", "imputs:")
    yield text.replace("channel_number: 5", "channel_number: 4")
    yield text + "voices: {}\n"
    yield text.replace("converter: octo", "converter: nobody", 1)
    torn = [text[:end] for end in range(1, len(text)) if text[end - 1] in "{,: "]
    for number in range(count - 7):
        yield torn[number * len(torn) // (count - 7)]


def faults_of(rig: Path, text: str) -> list[str]:
    rig.write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_rig(rig)
    return str(caught.value).splitlines()


def play_until(true: Callable[[], bool], keys: MidiSender) -> int:
    """Play the key over and over, at least once, until ``true()``; return how often."""
    strokes = 0
    while not strokes or not true():
        keys.play([(0.0, ON), (0.02, OFF)])
        time.sleep(0.02)
        strokes += 1
        assert strokes < 1000
    return strokes


def test_broken_rigs_while_playing_change_nothing(server, rig, request, monkeypatch):  # C6
    whole = rig.read_text()
    count = 100 if request.config.getoption("--slow") else 12
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        monkeypatch.setenv("STATE_DIRECTORY", daemon.environment["STATE_DIRECTORY"])
        before = settle(daemon, octo)
        strokes = 0
        for number, text in enumerate(broken_rigs(whole, count), start=1):
            faults = faults_of(rig, text)
            assert all(line.startswith(f"{rig}:") for line in faults)
            told = len(daemon.lines())
            daemon.send(signal.SIGHUP)

            def refused(number: int = number) -> bool:
                return sum("unchanged" in line for line in daemon.lines()) >= number

            strokes += play_until(refused, keys)
            assert [line for line in daemon.lines()[told:] if line.startswith(f"{rig}:")] == faults
        octo.wait_for(before + 8 + 16 * strokes)
        heard = [c for _, c in octo.wait_for_silence()][before:]
        assert heard == BENDS + strokes * (NOTE_ONS + NOTE_OFFS)


def test_a_good_reload_takes_over_between_notes(server, rig):
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        before = settle(daemon, octo)
        press(keys, octo)
        rig.write_text(rig.read_text() + "  v9: {converter: octo, channel_number: 9}\n")
        daemon.send(signal.SIGHUP)
        daemon.wait_for_line("reload: the new rig is in force")
        heard = [c for _, c in octo.wait_for_silence()][before:]
        assert open_notes(heard) == {(channel, 0x3C) for channel in range(8)}  # N2: they go on
        keys.send(OFF)
        keys.send(ON)
        wait_until(lambda: bytes.fromhex("983c64") in contents(octo))
        assert daemon.stop() == 0
        heard = [c for _, c in octo.wait_for_silence()][before:]
        assert open_notes(heard) == set()
        assert sum(c[0] & 0xF0 == 0x90 for c in heard) == 8 + 9


def reload(daemon):
    """Run the command as a player would; return its exit status and what it says."""
    done = subprocess.run(
        [*ZEROBEAT, "reload"],
        capture_output=True,
        text=True,
        env=daemon.environment,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    return done.returncode, done.stdout, done.stderr


def test_the_command_reload_tells_what_came_of_it(server, rig):  # C6, C7
    whole = rig.read_text()
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        before = settle(daemon, octo)
        press(keys, octo)
        rig.write_text(whole.replace("channel_number: 8", "channel_number: 88"))
        status, said, told = reload(daemon)
        assert (status, said) == (1, "")
        assert told.splitlines()[0].startswith(f"{rig}:") and "found 88" in told
        assert told.splitlines()[-1] == "reload: the rig in force is unchanged"
        rig.write_text(whole + "  v9: {converter: octo, channel_number: 9}\n")
        assert reload(daemon) == (0, "reload: the new rig is in force\n", "")
        keys.send(OFF)
        keys.send(ON)
        wait_until(lambda: bytes.fromhex("983c64") in contents(octo))
        keys.send(OFF)
        heard = [c for _, c in octo.wait_for_silence()][before:]
        assert open_notes(heard) == set()
        with Client(daemon.folder / "zerobeat/control") as client:
            with pytest.raises(CommandError, match="reload: found now; allowed: nothing more"):
                client.ask("reload", now=True)
            for _ in range(3):  # asked again before the answer: one answer each
                client.send("reload")
            answers = []
            while len(answers) < 3:
                select.select([client], [], [], 5.0)
                client.hear()
                answers += client.answers()
            assert all(answer["ok"] for answer in answers)


def test_a_reload_that_drops_a_sounding_voice_releases_it(server, rig):  # N2
    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        before = settle(daemon, octo)
        press(keys, octo)
        rig.write_text("".join(rig.read_text().splitlines(keepends=True)[:-1]))  # without v8
        daemon.send(signal.SIGHUP)
        daemon.wait_for_line("reload: the new rig is in force")
        heard = [c for _, c in octo.wait_for_silence()][before:]
        assert open_notes(heard) == {(channel, 0x3C) for channel in range(7)}
        assert heard[-1] == NOTE_OFFS[7]


# ------------------------------------------------------------ time


def faketime_library() -> Path | None:
    """Return Debian's libfaketime, which lies to a process about the wall clock."""
    return next(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"), None)


def test_the_wall_clock_may_jump_a_day_either_way(loose_server, rig, tmp_path):  # M13
    library = faketime_library()
    if library is None:
        pytest.skip("Debian's package faketime is not installed")
    lie = tmp_path / "lie"
    lie.write_text("+0d")
    environment = loose_server.environment | {
        "LD_PRELOAD": str(library),
        "FAKETIME_TIMESTAMP_FILE": str(lie),
        "FAKETIME_DONT_FAKE_MONOTONIC": "1",
        "FAKETIME_NO_CACHE": "1",
    }

    def step(days: str) -> None:
        lie.write_text(days)
        told = subprocess.run(["date", "+%s"], env=environment, capture_output=True, check=True)
        assert (int(told.stdout) > time.time()) == days.startswith("+")  # the lie is believed

    with (
        MidiSender("keys") as keys,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, environment) as daemon,
    ):
        before = settle(daemon, octo)
        held = BENDS + NOTE_ONS
        assert press(keys, octo) == held
        for days in ("+1d", "-1d"):
            step(days)
            assert [c for _, c in octo.wait_for_silence(0.5)][before:] == held  # nothing is cut
        keys.send(OFF)  # struck again at once: the gate gap must pass by the monotonic clock
        assert press(keys, octo) == NOTE_OFFS + NOTE_ONS
        keys.send(b"\xfe")  # active sensing, then silence: N13, by the monotonic clock
        step("+1d")
        octo.wait_for(before + 16 + 16 + 8)
        assert contents(octo)[-8:] == NOTE_OFFS
        # The library breaks clock_nanosleep: under it a bare time.sleep(0.001) raises EINVAL.
        # So the stop, which sleeps, is not asked of this daemon; other tests do.
        daemon.kill()
