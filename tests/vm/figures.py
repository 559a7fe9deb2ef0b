"""Unplug-replug cycles and kills, counted. Runs in the guest: figures.py CYCLES KILLS NOTE_OFFS."""

from __future__ import annotations

import os
import random
import signal
import statistics
import sys
import time

from guest import (
    OFF,
    VOICES,
    clients,
    descriptors,
    memory_mb,
    pid,
    plays,
    press,
    sink,
    slowness,
    sounds,
    source,
    start,
    wait,
    write_rig,
)

GROWTH_MB = 1.0
SETTLED = 20  # cycles after which memory is looked at first


def spread(name: str, values: list[float]) -> str:
    return f"{name}: median {statistics.median(values):.2f} s, largest {max(values):.2f} s"


def cycles(count: int) -> None:
    """M1, M3, N10, N11: pull the keyboard and the converter in turn while eight notes sound."""
    quad = sink()
    keys = source()
    plays(keys, quad)
    lost: list[float] = []
    healed: list[float] = []
    before = after = {}
    for number in range(count):
        if number == min(SETTLED, count // 2):
            before = memory_mb() | {"clients": clients(), "descriptors": descriptors()}
        press(keys, quad)
        if number % 2 == 0:
            keys.kill()
            lost.append(wait("release", lambda quad=quad: not quad.open_notes(), 10.0))
            keys = source()
        else:
            quad.kill()
            quad = sink()
        healed.append(_until_it_plays(keys, quad))
    after = memory_mb() | {"clients": clients(), "descriptors": descriptors()}
    keys.kill()
    quad.kill()
    print(f"{count} cycles, all healed; {spread('released', lost)}; {spread('healed', healed)}")
    print(f"  from cycle {SETTLED}: {before}\n  to the end:    {after}", flush=True)
    assert after["VmRSS"] - before["VmRSS"] < GROWTH_MB
    assert (after["clients"], after["descriptors"]) == (before["clients"], before["descriptors"])


def _until_it_plays(keys, quad) -> float:
    """Return after how long a pressed key sounds on all voices; nothing may sound unasked."""
    assert not sounds(quad, len(quad.heard)), "an old note was struck again"
    took_s = plays(keys, quad)
    assert not quad.open_notes()
    return took_s


def kills(count: int) -> None:
    """N12: SIGKILL while eight notes sound."""
    released: list[float] = []
    again: list[float] = []
    with source() as keys, sink() as quad:
        plays(keys, quad)
        for _ in range(count):
            press(keys, quad)
            assert len(quad.open_notes()) == VOICES
            os.kill(pid(), signal.SIGKILL)
            released.append(wait("release", lambda: not quad.open_notes()))
            again.append(released[-1] + plays(keys, quad))
    print(
        f"{count} kills, all released; {spread('released', released)}; "
        f"{spread('plays again', again)} (emulated)"
    )


def kills_around_note_offs(count: int, seed: int = 13) -> None:
    """N12: SIGKILL at any moment from before the key comes up to after the last note-off."""
    chance = random.Random(seed)
    released: list[float] = []
    again: list[float] = []
    cut_short = 0
    with source() as keys, sink() as quad:
        plays(keys, quad)
        for _ in range(count):
            at = press(keys, quad)
            process = pid()
            after_s = chance.uniform(-0.02, 0.08)
            if after_s < 0:
                os.kill(process, signal.SIGKILL)
                keys.say(OFF)
            else:
                keys.say(OFF)
                time.sleep(after_s)
                os.kill(process, signal.SIGKILL)
            killed_s = time.monotonic()
            wait("release", lambda: not quad.open_notes())
            released.append(time.monotonic() - killed_s)
            offs = [when for when, word in quad.heard[at:] if word[0] == "8"]
            cut_short += any(when > killed_s for when in offs)
            wait("another daemon", lambda old=process: pid() not in (0, old))
            plays(keys, quad)
            again.append(time.monotonic() - killed_s)
            assert not quad.open_notes()
    print(
        f"{count} kills around note-offs, nothing sounds afterwards, {cut_short} with a note-off "
        f"still to come; {spread('released', released)}; {spread('plays again', again)} "
        f"(emulated, {slowness():.0f} times slower than a machine of its own)"
    )


if __name__ == "__main__":
    write_rig()
    start()
    counts = [int(text) for text in sys.argv[1:]]
    for scenario, number in zip((cycles, kills, kills_around_note_offs), counts, strict=False):
        if number:
            scenario(number)
