"""Renders a Standard MIDI File through the same engine and wire as ``run``.

Time is counted instead of real; the messages are byte for byte those of
``run``, in the same order.
"""

from __future__ import annotations

import os
from bisect import bisect_right
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import mido

from .. import midi
from ..config.rig import LoadedRig
from ..engine.clock import TICKS_A_QUARTER
from ..engine.commands import OutputBack
from ..engine.engine import Engine
from ..engine.ledger import Outputs
from ..engine.wire import Wire
from ..errors import MidiFileError, one_of

Timed = list[tuple[float, Any]]
MOST_CLOCKS = 480_000  # 20,000 quarter notes: nearly three hours at 120 a minute
HIGHEST_DIVISION = 32767  # ticks a quarter note, 15 bits (SMF 1.0, header chunk)
LARGEST_SONG_BYTES = 64 << 20
_BAR_METAS = ("set_tempo", "time_signature", "key_signature", "marker", "cue_marker", "text")


class TempoMap:
    """Ticks to seconds and back.

    Args:
        changes: (tick, microseconds a quarter note), rising; the first at 0.
        division: ticks a quarter note.
    """

    def __init__(self, changes: Iterable[tuple[int, int]], division: int) -> None:
        self._division = division
        self._ticks = [0]
        self._seconds = [0.0]
        self._tempos = [500_000]  # until a file says otherwise: 120 a minute
        for tick, tempo in changes:
            at_s = self.seconds(tick)
            if tick == self._ticks[-1]:
                self._tempos[-1] = tempo
                continue
            self._ticks.append(tick)
            self._seconds.append(at_s)
            self._tempos.append(tempo)

    def seconds(self, tick: float) -> float:
        """Return the time of a tick, in seconds from the start."""
        place = bisect_right(self._ticks, tick) - 1
        ticks = tick - self._ticks[place]
        return self._seconds[place] + ticks * self._tempos[place] / (1e6 * self._division)

    def tick(self, at_s: float) -> int:
        """Return the tick nearest to a time."""
        place = bisect_right(self._seconds, at_s) - 1
        seconds = at_s - self._seconds[place]
        return self._ticks[place] + round(seconds * 1e6 * self._division / self._tempos[place])


def read_midi_file(path: Path) -> mido.MidiFile:
    """Return a MIDI file of type 0 or 1.

    Raises:
        MidiFileError: the file is missing, no MIDI file, or truncated; of type 2
            (independent songs); or timed in frames.
    """
    try:
        if path.exists() and not path.is_file():
            raise MidiFileError(f"{path}: found a folder, pipe or device; allowed: a file")
        if path.stat().st_size > LARGEST_SONG_BYTES:
            raise MidiFileError(
                f"{path}: found {path.stat().st_size} bytes; allowed: {LARGEST_SONG_BYTES}"
            )
        file = mido.MidiFile(path)
    except OSError as error:
        reason = error.strerror or "not a Standard MIDI File, or torn"
        raise MidiFileError(f"{path}: can't be read: {reason}") from None
    except MidiFileError:
        raise
    except Exception as error:  # noqa: BLE001 - mido raises errors of any type on a broken file
        raise MidiFileError(
            f"{path}: not a Standard MIDI File, or torn: {type(error).__name__} {error}"
        ) from None
    if file.type == 2:
        raise MidiFileError(f"{path}: found type 2; allowed: 0 or 1")
    if not 0 < file.ticks_per_beat <= HIGHEST_DIVISION:
        raise MidiFileError(f"{path}: found time in frames; allowed: ticks a quarter note")
    for track in file.tracks:
        if any(message.type == "set_tempo" and message.tempo == 0 for message in track):
            raise MidiFileError(f"{path}: found a tempo of 0; allowed: above 0")
    return file


def render(loaded: LoadedRig, source: Path, target: Path, input_name: str | None = None) -> int:
    """Play a file through the engine into another file; return the number of messages sent.

    Args:
        loaded: the rig; its start scene plays.
        source: file to read, type 0 or 1.
        target: file to write; a track for each output, named after it. The
            tempo map is kept, with finer ticks so that gaps keep their length.
        input_name: the rig's input that receives the file; None is the first
            input that plays.

    Raises:
        MidiFileError: the file can't be read or written, or the rig has no
            such input. Nothing is written then.
    """
    file = read_midi_file(source)
    playing = [i.name for i in loaded.rig.inputs if i.plays]
    if input_name is None and playing:
        input_name = playing[0]
    if input_name not in playing:
        raise MidiFileError(
            f"input: found {input_name}; allowed: {one_of(input_name or '', playing) or 'none'}"
        )
    events, metas = _flat(file)
    division = file.ticks_per_beat * max(1, HIGHEST_DIVISION // file.ticks_per_beat)
    scale = division // file.ticks_per_beat
    tempo_map = TempoMap(
        [(tick * scale, meta.tempo) for tick, meta in metas if meta.type == "set_tempo"], division
    )
    timed = [(tempo_map.seconds(tick * scale), message) for tick, message in events]
    end_s = tempo_map.seconds(max((tick * scale for tick, _ in _all_ticks(file)), default=0))
    clocks_s = [] if loaded.rig.clock_from is None else _clocks_s(tempo_map, division, end_s)
    sent = play(loaded, timed, input_name, end_s, clocks_s)
    _write_midi_file(target, file, division, scale, metas, tempo_map, sent, loaded)
    return len(sent)


def play(
    loaded: LoadedRig,
    events: Timed,
    input_name: str,
    end_s: float,
    clocks_s: Iterable[float] = (),
) -> list[tuple[float, str, bytes]]:
    """Play timed MIDI values through engine and wire; return (seconds, output, bytes).

    Args:
        loaded: the rig; its start scene plays.
        events: (seconds, value), to ``input_name``.
        input_name: of the rig.
        end_s: when all notes are released.
        clocks_s: times of MIDI clocks from the rig's ``clock_from``; each comes
            before other events of its time, as from a sequencer.
    """
    engine = Engine(loaded.rig, loaded.scenes)
    wire = Wire(loaded.rig.outputs)
    sent: list[tuple[float, str, bytes]] = []
    outputs: Outputs = []
    now_s = 0.0
    for output in loaded.rig.outputs:
        engine.receive(OutputBack(output.name), "", now_s, outputs)
    clock_from = loaded.rig.clock_from or ""
    clocks = [(at_s, midi.CLOCK, clock_from) for at_s in clocks_s]
    if clocks:
        clocks.insert(0, (0.0, midi.START, clock_from))
    received = [*clocks, *((at_s, message, input_name) for at_s, message in events)]
    waiting = [*sorted(received, key=lambda event: event[0]), (end_s, None, "")]
    place = 0
    while True:
        wire.put(outputs, now_s)
        outputs.clear()
        sent += [(now_s, name, content) for name, content in wire.take(now_s)]
        moments = [at_s for at_s in (wire.wake_at_s, engine.wake_at_s) if at_s is not None]
        if place < len(waiting):
            moments.append(waiting[place][0])
        elif wire.wake_at_s is None:
            return sent
        now_s = max(now_s, min(moments))
        if engine.wake_at_s is not None and engine.wake_at_s <= now_s:
            engine.wake(now_s, outputs)
        if place < len(waiting) and waiting[place][0] <= now_s:
            _, message, source = waiting[place]
            place += 1
            if message is None:
                outputs += engine.release_all()
            else:
                engine.receive(message, source, now_s, outputs)


def _clocks_s(tempo_map: TempoMap, division: int, end_s: float) -> list[float]:
    """Return the times of MIDI clocks from the file's beginning to its end."""
    count = int(tempo_map.tick(end_s) * TICKS_A_QUARTER / division) + 1
    if count > MOST_CLOCKS:
        quarters = MOST_CLOCKS // TICKS_A_QUARTER
        raise MidiFileError(f"found over {quarters} quarter notes; allowed: no more")
    found: list[float] = []
    while (at_s := tempo_map.seconds(len(found) * division / TICKS_A_QUARTER)) <= end_s:
        found.append(at_s)
    return found


def _all_ticks(file: mido.MidiFile) -> Iterable[tuple[int, Any]]:
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            yield tick, message


def _flat(file: mido.MidiFile) -> tuple[list[tuple[int, Any]], list[tuple[int, Any]]]:
    """Return (tick, MIDI value) of all tracks merged, and (tick, meta) of the tempo track."""
    events: list[tuple[int, Any]] = []
    metas: list[tuple[int, Any]] = []
    for tick, message in sorted(_all_ticks(file), key=lambda pair: pair[0]):
        if message.is_meta:
            if message.type in _BAR_METAS:
                metas.append((tick, message))
            continue
        value = midi.parse(message.bytes())
        if value is not None:
            events.append((tick, value))
    return events, metas


def _write_midi_file(
    target: Path,
    file: mido.MidiFile,
    division: int,
    scale: int,
    metas: list[tuple[int, Any]],
    tempo_map: TempoMap,
    sent: list[tuple[float, str, bytes]],
    loaded: LoadedRig,
) -> None:
    result = mido.MidiFile(type=1, ticks_per_beat=division, charset=file.charset)
    result.tracks.append(_track([(tick * scale, meta) for tick, meta in metas]))
    for output in loaded.rig.outputs:
        track = _track(
            [
                (tempo_map.tick(at_s), mido.Message.from_bytes(content))
                for at_s, name, content in sent
                if name == output.name and content[0] < 0xF8  # a file holds no clock
            ]
        )
        track.insert(0, mido.MetaMessage("track_name", name=_ascii(output.name)))
        result.tracks.append(track)
    partial = target.with_name(target.name + ".part")
    try:
        result.save(partial)
        os.replace(partial, target)
    except OSError as error:
        partial.unlink(missing_ok=True)
        raise MidiFileError(f"{target}: can't be written: {error.strerror}") from None


def _track(timed: list[tuple[int, Any]]) -> mido.MidiTrack:
    track = mido.MidiTrack()
    last = 0
    for tick, message in timed:
        track.append(message.copy(time=max(0, tick - last)))
        last = max(last, tick)
    track.append(mido.MetaMessage("end_of_track"))
    return track


def _ascii(name: str) -> str:
    return name.encode("latin-1", "replace").decode("latin-1")
