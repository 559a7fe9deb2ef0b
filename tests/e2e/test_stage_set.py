"""A set on stage: keyboard, sequencer, pedalboard, two converters, for ten minutes.

Scenes, holds, the wheel, sustain, a plug that comes out, a kill and a restart. What must come
is worked out from the rig, scene and profile files by code of its own (``kit.stage_documents``):
each note with its number and all its bends, each on with its off, each landing on its bar.
"""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from kit.daemon_process import DaemonProcess, MidiSenderProcess
from kit.jack import JackServer, MidiRecorder, MidiSender, jack_is_installed, wait_until
from kit.stage_documents import Channel, SentNote, StageModel
from zerobeat.client.daemon_client import Client

pytestmark = [
    pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed"),
    pytest.mark.alone,  # a late clock is a lost clock
]
TICK_S = 0.5 / 24  # 120 beats a minute
BAR = 96  # ticks, 4/4
LOOP = 4 * BAR
LOOP_S = LOOP * TICK_S
BETWEEN_S = 3.5  # a replug, a kill or a restart
CONVERTER = (
    "gate_gap_ms: 2, lowest_note: 12, highest_note: 120, zero_volt_note: 36, bytes_per_second: usb"
)
RIG = f"""\
name: stage set
inputs:
  keys: {{port: "keys:out", wheel_cents: 60}}
  steps: {{port: "steps:out"}}
  feet: {{port: "feet:out", pedalboard: board}}
clock_from: steps
converters:
  quad: {{port: "quad:in", converter: {{bend_range_semitones: 2, {CONVERTER}}}}}
  octo:
    port: "octo:in"
    converter: {{bend_range_semitones: 12, {CONVERTER}}}
    pass: [clock]
voices:
  reed: {{converter: quad, channel_number: 1, panel_octaves: -1}}
  horn: {{converter: quad, channel_number: 2}}
  glass: {{converter: octo, channel_number: 1}}
  bass: {{converter: octo, channel_number: 3}}
scenes: [verse, chorus, bridge]
"""
BOARD = """\
bindings:
  - {program: any, action: recall}
  - {controller: 64, action: sustain}
  - {controller: 81, action: transpose, by: -31.5, unit: cents, kind: momentary}
  - {controller: 82, action: bypass, voice: horn}
  - {controller: 11, action: set, setting: detune_cents, voice: glass, lowest: -20, highest: 20,
     kind: follow, pick_up: false}
"""
ZONES = """\
zones:
  - {voices: [reed, horn, glass], inputs: [keys]}
  - {voices: [bass], inputs: [steps]}
"""
TRIGGERS = "time_signature: 4/4\ntriggers: [{clock: {every: 1, unit: bars}}]\n"
SCENES = {
    "verse": f"""\
title: verse
program: 1
hold: trigger
{TRIGGERS}{ZONES}all: {{scale: major, root: C}}
voices:
  reed: {{degrees: 2}}
  horn: {{detune_beats_hz: 0.7}}
  glass: {{octaves: 1, detune_cents: -3}}
  bass: {{scale: continuous}}
""",
    "chorus": f"""\
title: chorus
program: 2
hold: trigger
{TRIGGERS}{ZONES}all: {{scale: [0, 204, 316, 498, 702, 906, 1018, 1200], root: D}}
voices:
  horn: {{detune_cents: 7.5}}
  glass: {{semitones: 7}}
  bass: {{detune_beats_hz: -0.3}}
""",
    "bridge": f"""\
title: bridge
program: 3
hold: note
{TRIGGERS}{ZONES}all: {{scale: dorian, root: A}}
voices:
  reed: {{semitones: -5}}
  bass: {{octaves: -1}}
""",
}
PROFILES = {  # cents off, by note sent
    "reed": ((12, -31.0), (40, -12.5), (64, 1.5), (72, 4.0), (96, 17.25), (120, 60.0)),
    "horn": ((12, 25.0), (36, 6.0), (60, 0.5), (84, -14.0), (120, -40.0)),
    "glass": ((12, 3.0), (24, 40.0), (48, 11.0), (84, 2.0), (120, -70.0)),
    "bass": ((12, -2.0), (36, -1.0), (48, 8.0), (120, 9.0)),
}


def write_documents(folder: Path) -> Path:
    for kind in ("scenes", "profiles", "pedalboards"):
        (folder / kind).mkdir()
    for title, text in SCENES.items():
        (folder / f"scenes/{title}.yaml").write_text(text)
    for voice, readings in PROFILES.items():
        rows = "".join(f"  - {{note: {note}, cents: {cents}}}\n" for note, cents in readings)
        panel = "panel_octaves: -1\n" if voice == "reed" else ""
        (folder / f"profiles/{voice}.yaml").write_text(f"voice: {voice}\n{panel}readings:\n{rows}")
    (folder / "pedalboards/board.yaml").write_text(BOARD)
    (folder / "rig.yaml").write_text(RIG)
    return folder / "rig.yaml"


# ---------------------------------------------------------------- what was heard


@dataclass
class Heard:
    """What arrived at the converters, note by note, through replugs and restarts."""

    notes: dict[Channel, list[SentNote]] = field(default_factory=dict)
    bends: dict[Channel, int] = field(default_factory=dict)
    owed: set[tuple[str, int, int]] = field(default_factory=set)
    again: set[tuple[str, int, int]] = field(default_factory=set)

    def take(self, converter: str, messages: list[tuple[float, bytes]]) -> None:
        for _, content in messages:
            kind, channel = content[0] & 0xF0, (converter, content[0] & 0x0F)
            notes = self.notes.setdefault(channel, [])
            open_note = notes[-1] if notes and not notes[-1].ended else None
            if kind == 0xE0:
                self.bends[channel] = content[1] + 128 * content[2] - 8192
                if open_note is not None:
                    open_note.bends.append(self.bends[channel])
            elif kind == 0x90:
                assert open_note is None, f"{content.hex(' ')}: {channel} sounds already"
                notes.append(SentNote(content[1], [self.bends[channel]]))
                self.again.discard((*channel, content[1]))
            elif kind == 0x80 and open_note is not None and open_note.number == content[1]:
                open_note.ended = True
            elif kind == 0x80 and (*channel, content[1]) not in self.again:
                # Only what sounded when the plug came out may come again.
                assert (*channel, content[1]) in self.owed, f"{content.hex(' ')} releases nothing"
                self.owed.remove((*channel, content[1]))

    def killed(self) -> None:
        """What sounded may be released more than once after the next start, until struck anew."""
        for channel, notes in self.notes.items():
            if notes:
                self.again.add((*channel, notes[-1].number))

    def unplugged(self, converter: str) -> None:
        for channel, notes in self.notes.items():
            if channel[0] == converter and notes and not notes[-1].ended:
                notes[-1].ended = True
                self.owed.add((*channel, notes[-1].number))


def compare(expected: dict[Channel, list[SentNote]], heard: dict[Channel, list[SentNote]]) -> float:
    """Check note by note; return by how many steps a bend was farthest from the exact one."""
    worst = 0.0
    for channel, notes in expected.items():
        found = heard.get(channel, [])
        for index, (want, got) in enumerate(zip(notes, found, strict=False)):
            where = f"{channel}, note {index}: expected {want}, heard {got}"
            assert want.number == got.number, where
            assert got.ended, where
            exact = [want.bends[0]]
            for bend in want.bends[1:]:  # an equal bend is not sent again
                if round(bend) != round(exact[-1]):
                    exact.append(bend)
            assert len(exact) == len(got.bends), where
            worst = max(
                worst,
                *(
                    abs(sent - min(8191.0, bend))
                    for sent, bend in zip(got.bends, exact, strict=True)
                ),
            )
            assert worst <= 0.51, where
        assert len(found) == len(notes), f"{channel}: {len(notes)} notes, heard {len(found)}"
    return worst


# ---------------------------------------------------------------- the set


class Stage:
    """The player's hands and feet, the sequencer, and a model that follows them."""

    def __init__(self, folder: Path, server: JackServer) -> None:
        self.model = StageModel(folder)
        self.heard = Heard()
        # A process of its own: while a port of this one is opened or closed, the others here miss
        # whole periods of the server.
        self.keys = MidiSenderProcess("keys", server.environment)
        self.steps = MidiSender("steps")
        self.feet = MidiSender("feet")
        self.recorders = {name: MidiRecorder(name) for name in ("quad", "octo")}
        self.read = dict.fromkeys(self.recorders, 0)
        self.server = server
        self.daemon = DaemonProcess(folder / "rig.yaml", server.environment)
        self.landings_s: list[float] = []
        self.late_s = 0.0
        self.closed: MidiRecorder | None = None  # unplugged just now
        self.tick_s: dict[int, float] = {}
        self.wait_until_ready()

    def wait_until_ready(self) -> None:
        self.daemon.wait_for_line("output quad, output octo")
        for recorder in self.recorders.values():
            recorder.wait_for_silence()
        self.client = Client(self.daemon.folder / "zerobeat/control")

    def close(self) -> None:
        self.client.close()
        self.daemon.close()
        for port in (self.keys, self.steps, self.feet, *self.recorders.values()):
            if port is not self.closed:  # a port that is closed twice ends the process
                port.close()

    # ------------------------------------------------------------ hands and feet

    def press(self, key: int) -> None:
        self.keys.send(bytes((0x90, key, 100)))
        self.model.key_down("keys", key)

    def lift(self, key: int) -> None:
        self.keys.send(bytes((0x80, key, 64)))
        self.model.key_up("keys", key)

    def step(self, key: int, down: bool) -> None:
        self.steps.send((0x90 if down else 0x80, key, 90))
        (self.model.key_down if down else self.model.key_up)("steps", key)

    def wheel(self, steps: int) -> None:
        value = steps + 8192
        self.keys.send(bytes((0xE0, value & 127, value >> 7)))
        self.model.wheel(60.0 * steps / (8191.0 if steps > 0 else 8192.0))  # both ends are whole

    def pedal(self, controller: int, value: int) -> None:
        self.feet.send((0xB0, controller, value))
        if controller == 64:
            self.model.sustain_pedal(value > 0)
        elif controller == 81:
            self.model.pedal_cents = -31.5 if value else 0.0
        elif controller == 82 and value:
            self.model.bypass("horn", "horn" not in self.model.raw)
        elif controller == 11:
            self.model.set("glass", "detune_cents", -20.0 + 40.0 * value / 127.0)

    def program(self, number: int) -> None:
        self.feet.send((0xC0, number))
        self.model.recall(list(self.model.scenes)[number])

    def hold(self, hold: str) -> None:
        self.client.ask("set_scene", changes={"hold": hold})
        self.model.hold = hold

    def set(self, voice: str, setting: str, value: float) -> None:
        self.client.ask("set", voice=voice, changes={setting: value})
        self.model.set(voice, setting, value)

    def concert_a(self, hertz: float) -> None:
        self.client.ask("tonight", concert_a_hz=hertz)
        self.model.concert_a(hertz)

    def transpose(self, cents: float) -> None:
        self.client.ask("tonight", transpose_cents=cents)
        self.model.transpose_cents = cents

    # ------------------------------------------------------------ a loop of four bars

    def loop(self, turn: int) -> None:
        events: dict[int, list[Callable[[], object]]] = {}

        def at(tick: int, act: Callable[..., object], *values: object) -> None:
            events.setdefault(tick, []).append(lambda: act(*values))

        for beat in range(16):  # the sequencer's bass, a twelfth of a beat after it
            key = 36 + (5 * beat + 7 * turn) % 19
            at(24 * beat + 2, self.step, key, True)
            at(24 * beat + 17, self.step, key, False)
        for place, tick in enumerate((6, 30, 54, 78)):
            key = 48 + (11 * turn + 5 * place) % 30
            at(tick, self.press, key)
            at(tick + 12, self.lift, key)
        # Bar 2: the wheel, then sustain, and a transposition while a pedal is down.
        key = 50 + 3 * turn % 25
        at(BAR + 4, self.press, key)
        for place, steps in enumerate((1000, 4096, 8191, -3000, -8192, 0)):
            at(BAR + 8 + 5 * place, self.wheel, steps)
        at(BAR + 44, self.lift, key)
        at(BAR + 46, self.pedal, 64, 127)
        at(BAR + 50, self.press, key + 2)
        at(BAR + 56, self.lift, key + 2)
        at(BAR + 60, self.press, key - 3)
        at(BAR + 64, self.lift, key - 3)
        at(BAR + 68, self.pedal, 64, 0)
        at(BAR + 71, self.pedal, 81, 127)
        at(BAR + 78, self.press, key)
        at(BAR + 84, self.lift, key)
        at(BAR + 88, self.pedal, 81, 0)
        # Bar 3: a recall by foot under a key that is held across the bar.
        at(2 * BAR + 6, self.press, key + 1)
        at(2 * BAR + 20, self.program, (turn + 1) % 3)
        at(3 * BAR + 20, self.lift, key + 1)
        # Bar 4: changes on a sounding note, at once; then a pedal that waits; bypass by foot.
        at(3 * BAR + 26, self.hold, "none")
        at(3 * BAR + 30, self.press, key + 4)
        at(3 * BAR + 36, self.set, "reed", "detune_cents", (7 * turn) % 23 - 11)
        at(3 * BAR + 42, self.concert_a, 440.0 + turn % 4)
        at(3 * BAR + 46, self.transpose, -5.0 * (turn % 5))
        at(3 * BAR + 51, self.pedal, 82, 127)
        at(3 * BAR + 53, self.pedal, 82, 0)
        at(3 * BAR + 58, self.lift, key + 4)
        at(3 * BAR + 66, self.pedal, 82, 127)
        at(3 * BAR + 68, self.pedal, 82, 0)
        at(3 * BAR + 74, self.hold, "trigger")
        at(3 * BAR + 78, self.pedal, 11, (37 * turn) % 128)
        self._play(events)

    def _play(self, events: dict[int, list[Callable[[], object]]]) -> None:
        octo = self.recorders["octo"]
        first = sum(content == b"\xf8" for _, content in octo.heard)
        self.steps.send(b"\xfa")
        start_s = time.monotonic() + TICK_S
        for tick in range(LOOP + 1):  # the clock after the loop's last bar lands what waits
            if tick % BAR == 0:
                self._expect_landing(tick, first)
            now_s = self._sleep(start_s + tick * TICK_S)
            self.late_s = max(self.late_s, now_s - start_s - tick * TICK_S)
            self.steps.send(b"\xf8")
            if tick % BAR == 0:
                self.model.bar()
            if tick in events:
                self._sleep(start_s + (tick + 0.5) * TICK_S)
                for act in events[tick]:
                    act()
        self._sleep(start_s + (LOOP + 0.7) * TICK_S)
        self.steps.send(b"\xfc")
        for recorder in self.recorders.values():
            recorder.wait_for_silence(0.1)
        self._measure_landings(first)
        self.collect()

    @staticmethod
    def _sleep(until_s: float) -> float:
        time.sleep(max(0.0, until_s - time.monotonic()))
        return time.monotonic()

    def _expect_landing(self, tick: int, first: int) -> None:
        held = any(voice.number is not None for voice in self.model.voices.values())
        if held and (self.model.scene_waits or self.model.settings_wait):
            self.tick_s[first + tick] = 0.0

    def _measure_landings(self, first: int) -> None:
        """Each landing follows its bar's clock, before the next one; on both converters."""
        octo = self.recorders["octo"].heard
        clocks_s = [at_s for at_s, content in octo if content == b"\xf8"]
        for index in [i for i in self.tick_s if i >= first]:
            due_s, next_s = clocks_s[index], clocks_s[index + 1]
            bends = [
                at_s
                for recorder in self.recorders.values()
                for at_s, content in recorder.heard
                if content[0] & 0xF0 == 0xE0 and due_s - TICK_S / 2 < at_s < next_s + TICK_S / 4
            ]
            assert bends, f"nothing landed with clock {index - first}"
            assert max(bends) < next_s, "a change landed after its bar"
            assert min(bends) > due_s - 0.002, "a change landed before its bar"
            self.landings_s += [max(0.0, at_s - due_s) for at_s in bends]

    def collect(self) -> None:
        for name, recorder in self.recorders.items():
            messages = list(recorder.heard)
            self.heard.take(name, messages[self.read[name] :])
            self.read[name] = len(messages)

    # ------------------------------------------------------------ what goes wrong between loops

    def replug_keys(self) -> None:
        self.press(55)
        self.recorders["quad"].wait_for_silence(0.1)
        lost = self._lines("input keys: lost")
        self.keys.close()
        self.model.unplug_keys()
        self.daemon.wait_for_line("input keys: lost", lost + 1)
        self.keys = MidiSenderProcess("keys", self.server.environment)
        self._wait_for_ports()

    def replug_converter(self, name: str) -> None:
        self.press(57)
        self.recorders[name].wait_for_silence(0.1)
        self.collect()
        self.closed = self.recorders[name]
        self.recorders[name].close()
        self.heard.unplugged(name)
        self.model.unplug(name)
        wait_until(lambda: not self._port(name), 10.0, f"{name} to be away")
        self.lift(57)
        self.press(60)
        self.recorders["quad" if name == "octo" else "octo"].wait_for_silence(0.1)
        self.lift(60)
        self.recorders["quad" if name == "octo" else "octo"].wait_for_silence(0.1)
        self.recorders[name], self.read[name] = MidiRecorder(name), 0
        self._wait_for_ports()
        self.model.away.clear()
        self.tick_s.clear()

    def kill_and_restart(self) -> None:
        self.press(59)
        self.recorders["octo"].wait_for_silence(0.3)  # what was set is on its way to the disk
        self.client.close()
        self.daemon.kill()
        wait_until(lambda: not self.server.ports("zerobeat"), 10.0, "the end of its ports")
        self.collect()
        self.heard.killed()
        self.lift(59)
        self.model.end_all()
        self.daemon.start()
        self.wait_until_ready()
        self._wait_for_ports()

    def stop_and_restart(self) -> None:
        self.press(62)
        self.recorders["octo"].wait_for_silence(0.1)
        self.client.close()
        assert self.daemon.stop() == 0
        self.lift(62)
        self.model.end_all()
        self.daemon.start()
        self.wait_until_ready()
        self._wait_for_ports()

    def _lines(self, part: str) -> int:
        return sum(part in line for line in self.daemon.lines())

    def _port(self, name: str) -> bool:
        ports = self.client.status()["ports"]
        return all(port["state"] == "connected" for port in ports if port["name"] == name)

    def _wait_for_ports(self) -> None:
        names = ("keys", "steps", "feet", "quad", "octo")
        wait_until(lambda: all(map(self._port, names)), 15.0, "all ports")
        for recorder in self.recorders.values():
            recorder.wait_for_silence()
        self.collect()


@contextlib.contextmanager
def in_real_time() -> Iterator[None]:
    """Run this thread before others: while it waits for a processor with the interpreter's
    lock held, the ports of this process miss whole periods of the server."""
    before = os.sched_getscheduler(0), os.sched_getparam(0)
    with contextlib.suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_FIFO | os.SCHED_RESET_ON_FORK, os.sched_param(5))
    try:
        yield
    finally:
        os.sched_setscheduler(0, *before)


def play_set(folder: Path, loops: int, report: Callable[[str], object]) -> None:
    write_documents(folder)
    with JackServer() as server, in_real_time():
        stage = Stage(folder, server)
        try:
            between = (
                stage.replug_keys,
                lambda: stage.replug_converter("octo"),
                stage.kill_and_restart,
                lambda: stage.replug_converter("quad"),
                stage.stop_and_restart,
            )
            for turn in range(loops):
                stage.loop(turn)
                if turn + 1 < loops or loops > len(between):
                    between[turn % len(between)]()
            assert stage.daemon.stop() == 0
            stage.collect()
        finally:
            stage.close()
    worst = compare(stage.model.notes, stage.heard.notes)
    assert not stage.heard.owed
    notes = sum(map(len, stage.heard.notes.values()))
    bends = sum(len(note.bends) for each in stage.heard.notes.values() for note in each)
    report(
        f"{notes} notes, each with its off; {bends} bends within {worst:.2f} steps; "
        f"{len(stage.landings_s)} landings, at most {1000 * max(stage.landings_s):.1f} ms after "
        f"their bar; the script itself {1000 * stage.late_s:.1f} ms late"
    )


def test_half_a_minute_on_stage(tmp_path: Path, record_property: Callable[..., None]) -> None:
    play_set(tmp_path, 4, lambda text: (record_property("figures", text), print(text)))


@pytest.mark.slow
def test_ten_minutes_on_stage(tmp_path: Path, record_property: Callable[..., None]) -> None:
    loops = round(600 / (LOOP_S + BETWEEN_S))
    play_set(tmp_path, loops, lambda text: (record_property("figures", text), print(text)))
