"""A clock on real JACK ports: what waits lands on its beat (design, *Hold*; requirement T5)."""

import json
import re
import subprocess
import threading
from pathlib import Path

import pytest

from kit.daemon_commands import kill_and_start
from kit.daemon_process import ZEROBEAT, DaemonProcess, open_notes
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.client.daemon_client import Client

pytestmark = [
    pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed"),
    pytest.mark.alone,  # a late clock is a lost clock
]
TICK_S = 0.02
RIG = """\
inputs:
  keys: {port: "keys:out"}
  steps: {port: "steps:out"}
converters:
  octo: {port: "octo:in", converter: {gate_gap_ms: 2, bend_range_semitones: 12}, pass: [clock]}
voices:
  reed: {converter: octo, channel_number: 1, profile: none}
  horn: {converter: octo, channel_number: 2, profile: none}
clock_from: steps
scene:
  hold: trigger
  time_signature: 3/4
  triggers: [{clock: {every: 2, unit: bars}}]
"""


def zerobeat(daemon: DaemonProcess, *arguments: str) -> str:
    done = subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def shown(daemon: DaemonProcess) -> dict:
    return json.loads(zerobeat(daemon, "status", "--json"))


def ticks(count: int) -> list[tuple[float, bytes]]:
    return [(TICK_S * step, b"\xf8") for step in range(1, count + 1)]


def test_a_change_lands_on_the_bar_of_a_real_clock(tmp_path: Path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("steps") as steps,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, input steps, output octo")
        start = len(octo.wait_for(12))  # two bend ranges
        keys.send(b"\x90\x3c\x64")
        octo.wait_for(start + 4)
        steps.send(b"\xfa")
        playing = threading.Thread(target=steps.play, args=(ticks(100),))
        playing.start()  # bar 2 begins with clock 72 of 0, bar 3 with 144
        wait_until(lambda: shown(daemon)["clock"]["state"] == "running")
        assert zerobeat(daemon, "set", "all", "semitones", "7") == (
            "all: semitones waits for a trigger\n"
        )
        head = zerobeat(daemon, "status", "--once").splitlines()[2]
        assert re.fullmatch(r"waiting for bar 3 \([2-6] beats left\): all \+7", head)
        playing.join()
        steps.send(b"\xfc")
        wait_until(lambda: shown(daemon)["clock"]["state"] == "stopped")
        clock = shown(daemon)["clock"]
        assert (clock["state"], clock["bar"], clock["beat"]) == ("stopped", 2, 2)
        head = zerobeat(daemon, "status", "--once").splitlines()[2]
        assert head == "waiting for the clock to start: all +7"
        steps.send(b"\xfb")
        steps.play(ticks(60))
        heard = [content for _, content in octo.wait_for_silence()]
        landed = [at for at, content in enumerate(heard) if content[0] & 0xF0 == 0xE0][-2:]
        before = [heard[:at].count(b"\xf8") for at in landed]
        assert before == [145, 145]  # after clock 144, before clock 145
        wait_until(lambda: shown(daemon)["clock"]["state"] == "lost")
        assert shown(daemon)["voices"][0]["sounding_cents"] == pytest.approx(6700.0)
        assert zerobeat(daemon, "panic") == "every note released\n"
        assert open_notes(c for _, c in octo.wait_for_silence() if c != b"\xf8") == set()
        assert daemon.stop() == 0


def test_a_change_lands_on_half_a_beat(tmp_path: Path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG.replace("every: 2, unit: bars", "every: 1/2"))
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("steps") as steps,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, input steps, output octo")
        keys.send(b"\x90\x3c\x64")
        before = len(octo.wait_for_silence())
        steps.send(b"\xfa")
        steps.play(ticks(30))  # clocks 0 to 29; the next half beat is clock 36
        with Client(daemon.folder / "zerobeat/control") as client:  # before the clock is lost
            client.ask("set", voice="all", changes={"semitones": 2})
            assert client.status()["ends"] == ["bar 1 beat 2.5"]
        steps.play(ticks(10))
        heard = [content for _, content in octo.wait_for_silence()[before:]]
        bends = [at for at, content in enumerate(heard) if content[0] & 0xF0 == 0xE0]
        assert [heard[:at].count(b"\xf8") for at in bends] == [37, 37]
        said = zerobeat(daemon, "set", "scene", "triggers", "[{clock: {every: 1/4, unit: beats}}]")
        assert said == "scene start: triggers is in force\n"


def struck(keys: MidiSender, octo: MidiRecorder) -> list[int]:
    before = len(octo.wait_for_silence())
    keys.send(b"\x90\x3c\x64")
    keys.send(b"\x80\x3c\x40")
    return [c[1] for _, c in octo.wait_for_silence()[before:] if c[0] & 0xF0 == 0x90]


def test_after_a_restart_in_mid_song_the_next_key_lands_what_waits_if_asked_for(tmp_path: Path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(RIG + "  clock_lost: key\n")
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("steps") as steps,
        MidiRecorder("octo") as octo,
        DaemonProcess(rig, server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: input keys, input steps, output octo")
        steps.send(b"\xfa")
        steps.play(ticks(30))
        kill_and_start(daemon, server)
        daemon.wait_for_line("connected: input keys, input steps, output octo")
        steps.play(ticks(30))  # the song goes on, and no Start comes
        zerobeat(daemon, "set", "all", "semitones", "7")
        text = zerobeat(daemon, "status", "--once")
        assert "waiting for the clock to start or a key: all +7" in text
        assert "a key sets off what waits" in " ".join(text.split())
        assert struck(keys, octo) == [67, 67]
        steps.send(b"\xfa")  # now the song has a place again: a key lands nothing
        steps.play(ticks(10))
        with Client(daemon.folder / "zerobeat/control") as client:  # before the clock is lost
            client.ask("set", voice="all", changes={"semitones": 2})
        keys.send(b"\x90\x3c\x64")
        heard = [content for _, content in octo.wait_for_silence()]
        assert [c[1] for c in heard if c[0] & 0xF0 == 0x90][-2:] == [67, 67]
