"""A pedalboard on real JACK ports: recalls, lights, and ``learn`` as a player types it."""

from __future__ import annotations

import contextlib
import json
import os
import random
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit.daemon_process import ZEROBEAT, DaemonProcess, open_notes, write_rig
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from zerobeat.engine.pedals.bindings import ACTIONS

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")
SCENE = "title: {name}\nprogram: {program}\nhold: note\nall: {{semitones: {semitones}}}\n"
SCENES = (("plain", 1, 0), ("fifth", 5, 7), ("octave", 6, 12))
BOARD = """\
title: Four Feet
relight: true
bindings:
  - {program: any, action: recall}
  - {controller: 80, action: next}
  - {controller: 84, action: bypass, kind: toggle, feedback: true}
  - {controller: 85, action: store, kind: trigger}
  - {controller: 7, action: set, setting: detune_cents, highest: 8, kind: follow, pick_up: false}
"""
PLAYS = "connected: input keys, input feet, output octo"


def write_case(folder: Path, more: str = "") -> Path:
    for kind in ("scenes", "pedalboards"):
        (folder / kind).mkdir()
    for name, program, semitones in SCENES:
        text = SCENE.format(name=name, program=program, semitones=semitones)
        (folder / f"scenes/{name}.yaml").write_text(text)
    (folder / "pedalboards/four-feet.yaml").write_text(BOARD)
    path = write_rig(folder, voices=2, more="scenes: [plain, fifth, octave]\n" + more)
    feet = '  feet: {port: "feet:out", pedalboard: four-feet, lights: "lamps:in"}\n'
    text = path.read_text()
    path.write_text(text.replace("converters:\n", feet + "converters:\n", 1))
    return path


def status(daemon: DaemonProcess) -> dict:
    return json.loads(zerobeat(daemon, "status", "--json"))


def zerobeat(daemon: DaemonProcess, *arguments: str, expect: int = 0) -> str:
    done = subprocess.run(
        [*ZEROBEAT, *arguments], env=daemon.environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == expect, done.stderr
    return done.stdout + done.stderr


@contextlib.contextmanager
def typed(daemon: DaemonProcess, *arguments: str) -> Iterator[subprocess.Popen]:
    """Run a command that waits, past its first line."""
    process = subprocess.Popen(
        [*ZEROBEAT, *arguments],
        env=daemon.environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    with process:
        try:
            assert process.stdout is not None
            process.first = process.stdout.readline()  # type: ignore[attr-defined]
            yield process
        finally:
            process.kill()


def wanted(daemon: DaemonProcess) -> str:
    shown = status(daemon)
    return shown["waits"]["name"] if shown["waits"] else shown["scene"]


def struck(octo: MidiRecorder) -> list[int]:
    return [content[1] for _, content in octo.wait_for_silence() if content[0] & 0xF0 == 0x90]


def test_a_foot_recalls_while_keys_play(tmp_path):  # F1, F4, F7
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line(PLAYS)
        keys.send(b"\x90\x3c\x64")
        octo.wait_for(12 + 4)
        sounding = len(octo.wait_for_silence())
        feet.send(b"\xc0\x04")  # program 5
        wait_until(lambda: wanted(daemon) == "fifth")
        assert len(octo.wait_for_silence()) == sounding  # nothing is cut, struck or bent
        keys.send(b"\x80\x3c\x40")
        keys.send(b"\x90\x3e\x64")
        assert struck(octo) == [60, 60, 69, 69]
        feet.send(b"\xb0\x50\x7f")  # next
        feet.send(b"\xb0\x50\x00")
        wait_until(lambda: wanted(daemon) == "octave")
        feet.send(b"\xc0\x0b")  # program 12: no scene
        wait_until(lambda: status(daemon)["foot_refused"])
        shown = status(daemon)
        assert shown["foot"] == "feet: recall: no scene for program 12 (sent as 11)"
        assert (shown["set_list"], shown["position"]) == (["plain", "fifth", "octave"], 2)
        daemon.wait_for_line("no scene for program 12 (sent as 11)")
        text = zerobeat(daemon, "status", "--once")
        assert "pedal     feet: recall: no scene for program 12 (sent as 11)" in text
        assert "3 of 3, the last" in text


def test_recalls_under_load_leave_no_note_hanging(tmp_path):  # F3, N3
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line(PLAYS)
        start = len(octo.wait_for(12))
        for number in range(120):
            key = 48 + number % 12
            keys.send(bytes((0x90, key, 100)))
            feet.send(bytes((0xC0, (0, 4, 5, 11)[number % 4])))  # one of them has no scene
            feet.play([(0.01, b"\xb0\x50\x7f"), (0.015, b"\xb0\x50\x00")])
            keys.send(bytes((0x80, key, 64)))
        heard = [content for _, content in octo.wait_for_silence()[start:]]
        assert sum(content[0] & 0xF0 == 0x90 for content in heard) == 240
        assert open_notes(heard) == set()
        assert status(daemon)["faults"] == 0
        assert status(daemon)["dropped"]["refused by foot"] >= 30


def test_the_command_line_recalls_by_step_number_and_name_and_orders_tonight(tmp_path):  # F1, F7
    with (
        JackServer() as server,
        MidiRecorder("octo"),
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("connected: output octo")
        assert zerobeat(daemon, "recall", "next") == "scene fifth waits for the next note\n"
        assert zerobeat(daemon, "recall", "6") == "scene octave waits for the next note\n"
        assert "octave is the last of the set list" in zerobeat(daemon, "recall", "next", expect=1)
        assert "no scene for program 9 (sent as 8)" in zerobeat(daemon, "recall", "9", expect=1)
        assert zerobeat(daemon, "recall", "previous") == "scene fifth waits for the next note\n"
        said = zerobeat(daemon, "set", "tonight", "set_list", "octave, plain, octave")
        assert said == "set list: octave, plain, octave\n"
        assert "found 'nine'" in zerobeat(daemon, "set", "tonight", "set_list", "nine", expect=1)
        zerobeat(daemon, "recall", "plain")
        assert zerobeat(daemon, "recall", "next") == "scene octave waits for the next note\n"
        assert status(daemon)["position"] == 2
        assert daemon.stop() == 0
        daemon.start()
        daemon.wait_for_line("zerobeat plays")
        assert status(daemon)["set_list"] == ["octave", "plain", "octave"]  # tonight lasts
        zerobeat(daemon, "set", "tonight", "set_list", "null")
        assert status(daemon)["set_list"] == ["plain", "fifth", "octave"]


def test_lights_are_complete_after_start_return_and_each_change(tmp_path):  # F8, F9
    with (
        JackServer() as server,
        MidiSender("keys"),
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("waiting for: output feet lights (missing: lamps:in)")
        # Opening a port holds the GIL, which a port here that hears something needs.
        octo.wait_for(12)
        octo.wait_for_silence()
        with MidiRecorder("lamps") as lamps:
            assert lamps.wait_for(1)[0][1] == b"\xb0\x54\x00"
            feet.send(b"\xb0\x54\x7f")
            assert lamps.wait_for(2)[1][1] == b"\xb0\x54\x7f"
            assert status(daemon)["voices"][0]["bypass"]
            feet.send(b"\xb0\x54\x00")
            assert lamps.wait_for(3)[2][1] == b"\xb0\x54\x7f"  # blanked at release: again
            zerobeat(daemon, "bypass", "all", "off")  # from elsewhere
            assert lamps.wait_for(4)[3][1] == b"\xb0\x54\x00"
            zerobeat(daemon, "bypass")
            lamps.wait_for(5)
        daemon.wait_for_line("lost lamps:in")
        with MidiRecorder("lamps") as lamps:  # one that forgot all
            assert lamps.wait_for(1, 10.0)[0][1] == b"\xb0\x54\x7f"
        assert daemon.stop() == 0


def test_a_foot_stores_only_without_the_stage_lock_and_with_two_presses(tmp_path):  # F10
    def press(feet: MidiSender) -> None:
        feet.send(b"\xb0\x55\x7f")
        feet.play([(0.1, b"\xb0\x55\x00"), (0.2, b"\xb0\x07\x00")])

    with (
        JackServer() as server,
        MidiSender("keys"),
        MidiSender("feet") as feet,
        MidiRecorder("octo"),
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("zerobeat plays")
        wait_until(lambda: status(daemon)["ports"][1]["state"] == "connected")
        scenes = daemon.folder / "state/scenes"
        zerobeat(daemon, "set", "v1", "semitones", "3")
        press(feet)
        press(feet)
        wait_until(lambda: "stage lock is on" in status(daemon)["foot"])
        assert not scenes.exists() or not os.listdir(scenes)
        rig = tmp_path / "rig.yaml"
        rig.write_text(rig.read_text() + "stage_lock: off\n")
        daemon.send(1)  # SIGHUP
        daemon.wait_for_line("reload: the new rig is in force")
        press(feet)
        wait_until(lambda: "press again" in status(daemon)["foot"])
        assert not scenes.exists() or not os.listdir(scenes)
        press(feet)
        wait_until(lambda: status(daemon)["foot"] == "feet: scene plain stored")
        assert "plain.yaml" in os.listdir(scenes)
        assert not status(daemon)["unsaved"]


def files(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def random_steps(rng: random.Random) -> list[tuple[bytes, float]]:
    """Return what a player in a hurry, or a loose cable, sends, each with the rest after it."""
    if rng.random() < 0.2:  # two presses, as a store takes without the stage lock
        return [(b"\xb0\x55\x7f", 0.1), (b"\xb0\x55\x00", 0.1)] * 2
    channel = rng.choice((0, 0, 0, rng.randrange(16)))
    rest_s = rng.choice((0.0, 0.005, 0.03, 0.3 * rng.random()))
    if rng.random() < 0.1:
        return [(bytes((0xC0 | channel, rng.randrange(128))), rest_s)]
    if rng.random() < 0.1:
        return [(bytes((0x90 | channel, rng.randrange(128), rng.randrange(128))), rest_s)]
    controller = rng.choice((7, 80, 84, 85, rng.randrange(120)))
    return [(bytes((0xB0 | channel, controller, rng.choice((0, 127, rng.randrange(128))))), rest_s)]


def test_random_feet_change_no_file(tmp_path, request):  # F10; an hour of it: --feet 3600
    rng = random.Random(10)
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo") as octo,
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line(PLAYS)
        zerobeat(daemon, "store", "mine")
        before = files(tmp_path) | files(daemon.folder / "state")
        end_s = time.monotonic() + request.config.getoption("--feet")
        steps = 0
        while time.monotonic() < end_s:
            key = rng.randrange(40, 80)
            keys.send(bytes((0x90, key, 100)))
            for content, rest_s in random_steps(rng):
                feet.send(content)
                steps += 1
                time.sleep(rest_s)
            keys.send(bytes((0x80, key, 64)))
            octo.heard[:-64] = []
        shown = status(daemon)
        assert shown["faults"] == 0
        assert all(f["text"].startswith("foot feet: ") for f in shown["last_faults"])
        assert shown["foot_presses"] > steps / 8  # they did arrive
        keys.send(b"\xb0\x7b\x00")
        assert daemon.stop() == 0
        after = files(tmp_path) | files(daemon.folder / "state")
    print(f"{steps} steps")
    live = {path for path in after if path.name.startswith("session")}
    assert live  # what plays is kept, and no other file is new, gone or changed
    kept = {path: content for path, content in before.items() if path not in live}
    assert {path: content for path, content in after.items() if path not in live} == kept


def test_learn_shows_what_arrives_and_binds_it_for_good(tmp_path):  # F5, F6
    with (
        JackServer(period_frames=256, synchronous=False) as server,
        MidiSender("keys") as keys,
        MidiSender("feet") as feet,
        MidiRecorder("octo"),
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line(PLAYS)
        with typed(daemon, "learn", "--wait", "2") as view:
            feet.send(b"\xb0\x57\x7f")
            keys.send(b"\x90\x3c\x64")
            keys.send(b"\x80\x3c\x40")
            feet.send(b"\xc1\x04")
            text = view.communicate()[0]
        assert "feet: controller 87, channel number 1, value 127 (down)" in text
        assert "keys: note C4 (60), channel number 1, velocity 100" in text
        assert "feet: program 5 (sent as 4), channel number 2" in text

        with typed(daemon, "learn", "previous") as learn:
            assert learn.first == "previous: press the switch (feet); waiting 30 s\n"
            keys.send(b"\x90\x3c\x64")  # a keyboard is not listened to
            feet.send(b"\xb2\x58\x7f")
            feet.send(b"\xb2\x58\x00")
            said = learn.communicate()[0]
        assert said == ("learned feet: controller 88, channel number 3: previous (at each press)\n")
        keys.send(b"\x80\x3c\x40")
        zerobeat(daemon, "recall", "fifth")
        feet.send(b"\xb2\x58\x7f")
        feet.send(b"\xb2\x58\x00")
        wait_until(lambda: wanted(daemon) == "plain")

        with typed(daemon, "learn", "panic") as learn:  # it sends nothing on release
            feet.send(b"\xb0\x50\x7f")  # what the pedalboard's file calls next
            said = learn.communicate()[0]
        assert said.startswith(
            "learned feet: controller 80, channel number 1: panic (at each press)\n"
        )
        assert "warning: it sent nothing on release" in said
        with typed(
            daemon,
            "learn",
            "set",
            "--setting",
            "detune_cents",
            "--voice",
            "v1",
            "--lowest",
            "0",
            "--highest",
            "12.7",
        ) as learn:
            feet.play([(0.01 * n, bytes((0xB0, 11, n))) for n in range(5)])
            said = learn.communicate()[0]
        assert said == (
            "learned feet: controller 11, channel number 1: set detune_cents 0 to 12.7 of v1 "
            "(as it moves)\n"
        )
        listed = zerobeat(daemon, "learn", "--list")
        assert "  1  feet: controller 88" in listed
        assert "controller 80, any channel: next (at each press)" in listed

        daemon.kill()
        daemon.start()
        daemon.wait_for_line("zerobeat plays")
        wait_until(
            lambda: all(
                p["state"] == "connected"
                for p in status(daemon)["ports"]
                if p["name"] in ("feet", "keys", "octo")
            )
        )
        assert zerobeat(daemon, "learn", "--list") == listed
        zerobeat(daemon, "recall", "fifth")
        feet.send(b"\xb2\x58\x7f")
        feet.send(b"\xb2\x58\x00")
        wait_until(lambda: wanted(daemon) == "plain")
        said = zerobeat(daemon, "learn", "--forget", "1")
        assert said == "forgot feet: controller 88, channel number 3: previous (at each press)\n"
        zerobeat(daemon, "recall", "fifth")
        feet.send(b"\xb2\x58\x7f")
        feet.send(b"\xb0\x57\x00")
        assert wanted(daemon) == "fifth"


BAD = [
    (("learn", "--forget", "9"), "number: found 9; allowed: none, nothing is learned"),
    (("learn", "--input", "hands"), "input: found hands; allowed: keys, feet"),
    (("learn", "next", "--wait", "0.1"), "feet sent no switch or pedal that fits within 0.1 s"),
]


UNLEARNABLE = [
    ("mute", ["learn mute: --voice: found nothing; needed: with action mute, one voice: v1, v2"]),
    ("solo --voice reed", ["learn solo: --voice: found reed; allowed: v1, v2"]),
    (
        "hold",
        [
            (
                "learn hold: --hold: found nothing; needed: with action hold, one of none, note, "
                "trigger, sample"
            )
        ],
    ),
    (
        "set",
        [
            (
                "learn set: --setting: found nothing; needed: with action set, one of "
                "detune_cents, detune_beats_hz, semitones, octaves, degrees, glide_ms"
            ),
            (
                "learn set: --highest: found nothing; needed: with action set, lowest and "
                "highest that differ"
            ),
        ],
    ),
    (
        "transpose",
        [
            (
                "learn transpose: --to: found nothing; needed: with action transpose by a switch, "
                "one of to (a value) and by (a step)"
            )
        ],
    ),
    (
        "recall --scene plian",
        ["learn recall: --scene: found plian; allowed: plain, fifth, octave (did you mean plain?)"],
    ),
    (
        "mutes",
        [f"action: found mutes; allowed: mute, trigger, previous and {len(ACTIONS) - 3} more"],
    ),
]


def test_bad_learning_is_one_line(tmp_path):
    with (
        JackServer() as server,
        MidiSender("feet") as feet,
        MidiRecorder("octo"),
        DaemonProcess(write_case(tmp_path), server.environment) as daemon,
    ):
        daemon.wait_for_line("zerobeat plays")
        for words, error in BAD:
            assert zerobeat(daemon, *words, expect=1).splitlines()[-1].startswith(error)
        wait_until(lambda: status(daemon)["ports"][1]["state"] == "connected")
        # What can't be learned is said before the player presses anything, with the choices.
        for line, error in UNLEARNABLE:
            start_s = time.monotonic()
            said = zerobeat(daemon, "learn", *line.split(), expect=1)
            assert said.splitlines() == error
            assert time.monotonic() - start_s < 15.0  # of the 30 it would wait
        # What only the switch itself shows is refused after the press.
        with typed(daemon, "learn", "bypass", "--kind", "momentary") as learn:
            feet.send(b"\xc0\x09")
            assert "found momentary with program, which has no release" in learn.communicate()[0]
        assert "89" not in zerobeat(daemon, "learn", "--list")
