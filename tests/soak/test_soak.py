"""A long night in little: keys, wheel, pedal, settings, scenes, reloads and pulled cables.

    tests/run --soak 10000000 tests/soak       ten million events, some five minutes

In a process of its own, so that its memory is its own. As in ``run``: bytes are parsed, guard
counted, what sounds is mirrored, rubbish collected while nothing sounds.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve()
GROWTH_KB = 1000
QUICK = 60_000


def test_memory_stays_flat_and_no_note_hangs(request):
    events = request.config.getoption("--soak") or QUICK
    command = [sys.executable, str(HERE), str(events)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    print(done.stdout)


# ---------------------------------------------------------------- the process


def soak(events: int) -> None:
    import gc
    import random
    import tempfile

    from kit.invariant_checker import NAMES, OUTPUTS, RIGS, SCENES
    from zerobeat.engine import commands
    from zerobeat.engine.engine import Engine
    from zerobeat.engine.plain_status import plain
    from zerobeat.engine.status import picture
    from zerobeat.engine.wire import Wire
    from zerobeat.errors import CommandError
    from zerobeat.midi import parse
    from zerobeat.ports.mirror import Mirror
    from zerobeat.runtime.midi_loops import MidiLoopGuard

    chance = random.Random(7)
    engine, wire, guard = Engine(RIGS[0], SCENES), Wire(RIGS[0].outputs), MidiLoopGuard()
    mirror = Mirror(Path(tempfile.mkdtemp()), (output.name for output in OUTPUTS))
    sounding: set[tuple[str, int, int]] = set()
    present = set()
    now_s = 0.0
    outputs: list = []
    rig = RIGS[0]

    def leave() -> None:
        for name, content in wire.take(now_s):
            if name not in present:
                continue
            kind, place = content[0] & 0xF0, (name, content[0] & 15, content[1])
            if kind == 0x90:
                assert place not in sounding, f"{content.hex(' ')} again"
                sounding.add(place)
                mirror.mark(*place)
            elif kind == 0x80:
                sounding.discard(place)
                mirror.clear(*place)

    def receive(message, source="") -> None:
        try:
            engine.receive(message, source, now_s, outputs)
        except CommandError:  # a voice or scene that this rig lacks
            pass
        wire.put(outputs, now_s)
        outputs.clear()
        leave()

    def connect() -> None:
        for output in rig.outputs:
            if output.name not in present:
                present.add(output.name)
                receive(commands.OutputBack(output.name))

    def drain() -> None:
        nonlocal now_s
        leave()
        while wire.wake_at_s is not None:
            now_s = max(now_s, wire.wake_at_s)
            leave()

    def reload() -> None:
        nonlocal rig
        rig = chance.choice(RIGS)
        receive(commands.Reload(rig, SCENES))
        drain()
        kept = {output.name for output in rig.outputs}
        wire.replace(rig.outputs)
        mirror.replace(kept)
        for name in present - kept:  # their ports close
            present.discard(name)
            sounding.difference_update([place for place in sounding if place[0] == name])
        connect()

    def replug() -> None:
        if chance.random() < 0.5:
            receive(commands.SourceLost(chance.choice(("keys", "steps"))))
            return
        name = chance.choice([output.name for output in rig.outputs])
        receive(commands.OutputLost(name))
        sounding.difference_update([place for place in sounding if place[0] == name])
        present.discard(name)
        connect()

    def change() -> None:
        value = chance.randrange(-300, 300) / 10
        receive(commands.ChangeVoice(chance.choice(NAMES), (("detune_cents", value),)))

    def memory_kb() -> int:
        gc.collect()
        text = Path("/proc/self/status").read_text()
        return int(text.partition("VmRSS:")[2].split()[0])

    connect()
    gc.collect()
    gc.freeze()
    gc.disable()
    seldom = {
        3: reload,
        11: replug,
        23: replug,
        29: change,
        31: change,
        37: lambda: receive(commands.RecallScene(chance.choice(SCENES).name)),
        41: lambda: receive(commands.Panic()),
        43: lambda: plain(picture(engine, wire)),
    }
    warm = min(events // 10, 200_000)  # what some minute of hard playing makes
    first_kb = 0
    held: list[tuple[str, int]] = []
    for number in range(events):
        if number == warm:
            first_kb = memory_kb()
        now_s += chance.random() * 0.01
        if engine.wake_at_s is not None and engine.wake_at_s <= now_s:
            engine.wake(now_s, outputs)
            wire.put(outputs, now_s)
            outputs.clear()
            leave()
        do = seldom.get(chance.randrange(2000))
        if do is not None:
            do()
            continue
        source = chance.choice(("keys", "steps"))
        dice = chance.random()
        if dice < 0.35 or (held and len(held) > 12):
            if held and (len(held) > 8 or dice < 0.17):
                source, note = held.pop(chance.randrange(len(held)))
                content = bytes((0x80, note, 64))
            else:
                note = chance.randrange(30, 96)
                held.append((source, note))
                content = bytes((0x90, note, chance.randrange(1, 128)))
        elif dice < 0.8:
            content = bytes((0xE0, chance.randrange(128), chance.randrange(128)))
        elif dice < 0.85:
            content = bytes((0xB0, 64, chance.choice((0, 127))))
        else:
            content = bytes((0xB0, 1, chance.randrange(128)))
        told = guard.check(source, content, now_s)
        if told == "":
            receive(parse(content), source)
        if number % 10_000 == 0 and not sounding:
            gc.collect()
    receive(commands.Reload(RIGS[0], SCENES))
    drain()
    last_kb = memory_kb()
    wire.put(engine.release_all(), now_s)
    drain()
    assert not sounding, f"left sounding: {sorted(sounding)}"
    assert not any(state.lane.notes for state in engine.states.values()), "the ledger is not empty"
    print(f"{events} events: {first_kb} kB after {warm}, {last_kb} kB at the end")
    assert last_kb - first_kb < GROWTH_KB, f"memory grew by {last_kb - first_kb} kB"
    mirror.close()


if __name__ == "__main__":
    sys.path.insert(0, str(HERE.parents[1]))
    soak(int(sys.argv[1]))
