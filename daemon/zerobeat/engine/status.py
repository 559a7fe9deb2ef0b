"""A frozen picture of what plays, what waits and what is wrong.

``picture`` reads engine and wire and changes nothing; it is built on request.
It holds no time, so that two pictures are equal when nothing has happened.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .engine import Engine
from .pending import ClockStatus, clock_status, ends, trigger_words
from .settings import Hold
from .voice_status import VoiceStatus, voice_status
from .wire import Wire


@dataclass(frozen=True, slots=True)
class OutputStatus:
    """One output: is it there, and what went over its cable.

    ``bytes_per_second`` is the budget of its cable, None without one;
    ``waiting`` counts bends and controllers that wait for an idle cable; ``late`` notes that did
    not start, because they could only have started too late.
    """

    name: str
    there: bool
    bytes_sent: int
    bytes_per_second: int | None
    thinned: int
    waiting: int
    late: int


@dataclass(frozen=True, slots=True)
class SceneWaiting:
    """A scene's own part that has not landed: zones, hold, triggers."""

    name: str
    hold: Hold


@dataclass(frozen=True, slots=True)
class Status:
    """All that a console shows."""

    scene: str
    program: int | None  # of the scene, as on the wire
    program_numbers_from: int
    scenes: tuple[str, ...]
    set_list: tuple[str, ...]
    position: int | None  # of the scene that waits, else plays, in the set list; from 0
    unsaved: bool
    hold: Hold
    triggers: tuple[str, ...]
    waits: SceneWaiting | None
    ends: tuple[str, ...]  # what ends the wait: "the next note", "bar 3"; () if nothing waits
    clock: ClockStatus | None
    root_keys: tuple[str, ...]  # voices whose root the next key sets, instead of sounding
    concert_a_hz: float
    transpose_semitones: int
    transpose_cents: float
    transpose_degrees: int
    middle_c_octave: int
    measuring: tuple[str, ...]  # voices that are played to be measured
    presses: int  # keys that went down so far, of playing inputs
    stage_lock: bool
    feet: tuple[str, ...]  # inputs that play no notes
    foot: str  # the last thing a foot did, or why it was refused
    foot_refused: bool
    wheel_cents: dict[str, float]  # by input: its wheel, the one that is furthest from rest
    voices: tuple[VoiceStatus, ...]
    outputs: tuple[OutputStatus, ...]
    dropped: dict[str, int]  # messages not passed on, by class
    faults: int


def picture(engine: Engine, wire: Wire, pause: Callable[[], None] = lambda: None) -> Status:
    """Return what engine and wire have now.

    ``pause`` is called between two voices: then they may stand as they do a note apart.
    """
    live = engine.live
    counts = dict(sorted(engine.counts.items()))
    faults = counts.pop("faults", 0)
    waits = live.waiting_scene
    rooting = live.root_voices
    return Status(
        scene=live.scene.name,
        program=live.scene.program,
        program_numbers_from=engine.rig.program_numbers_from,
        scenes=tuple(live.bank),
        set_list=engine.scenes.set_list,
        position=engine.scenes.position,
        unsaved=live.unsaved,
        hold=live.scene.hold,
        triggers=tuple(trigger_words(trigger) for trigger in live.scene.triggers),
        waits=None if waits is None else SceneWaiting(waits.name, live.waiting_hold),
        ends=ends(engine.shared, engine.triggers),
        clock=clock_status(engine.shared, engine.triggers),
        root_keys=tuple(name for name in engine.states if name in rooting),
        concert_a_hz=live.tonight.concert_a_hz,
        transpose_semitones=live.tonight.transpose_semitones,
        transpose_cents=live.tonight.transpose_cents,
        transpose_degrees=live.tonight.transpose_degrees,
        middle_c_octave=engine.rig.middle_c_octave,
        measuring=tuple(engine.measuring.taken),
        presses=engine.keyboard.presses,
        stage_lock=engine.rig.stage_lock,
        feet=tuple(source.name for source in engine.rig.inputs if not source.plays),
        foot=engine.pedals.said,
        foot_refused=engine.pedals.refused,
        wheel_cents=_wheels(engine),
        voices=tuple(_voices(engine, pause)),
        outputs=tuple(_output(engine, wire, output.name) for output in engine.rig.outputs),
        dropped=counts,
        faults=faults,
    )


def _voices(engine: Engine, pause: Callable[[], None]) -> Iterator[VoiceStatus]:
    for state in tuple(engine.states.values()):
        yield voice_status(engine, state)
        pause()


def _wheels(engine: Engine) -> dict[str, float]:
    found: dict[str, float] = {}
    for (name, _), cents in engine.shared.wheels.items():
        if abs(cents) >= abs(found.get(name, 0.0)):
            found[name] = round(cents, 2)
    return found


def _output(engine: Engine, wire: Wire, name: str) -> OutputStatus:
    load = wire.load(name)
    budget = engine.shared.output(name).converter.bytes_per_second
    return OutputStatus(
        name=name,
        there=name in engine.shared.present,
        bytes_sent=load.bytes_sent,
        bytes_per_second=budget,
        thinned=load.thinned,
        waiting=load.waiting,
        late=load.late,
    )
