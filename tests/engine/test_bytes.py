"""Random playing, judged by its bytes alone: invariants 1, 2, 3, 4 and 7 (N1, N2, N4, B1).

Twenty faults that ``tests/bench/seeded_faults.py`` puts into the engine are found by this.
"""

from __future__ import annotations

import pytest

from kit.byte_checker import ByteChecker, CableHeard, CheckFailed
from kit.random_playing import RandomPlaying

STEPS = 20_000
LOT = 5_000  # steps of one engine, begun anew with another seed


@pytest.mark.parametrize("seed", range(STEPS // LOT))
def test_random_playing_leaves_no_wrong_byte(seed):
    playing = RandomPlaying(seed)
    playing.run(LOT)
    assert playing.checker.notes > LOT // 4
    assert playing.refused > LOT // 100


@pytest.mark.slow
def test_a_million_random_steps_leave_no_wrong_byte(request):
    steps = request.config.getoption("--steps") or 1_000_000
    for seed in range(1000, 1000 + -(-steps // LOT)):
        RandomPlaying(seed).run(LOT)


def test_the_same_playing_gives_the_same_bytes():
    first, second = RandomPlaying(7, record=True), RandomPlaying(7, record=True)
    first.run(1_500)
    second.run(1_500)
    assert first.raw == second.raw


def cable(**more):
    checker = ByteChecker()
    checker.cables["out"] = CableHeard(
        voice_channels=frozenset((0,)),
        one_note_channels=frozenset((0,)),
        detunes={0: 100 * 200 / 8192},
        **more,
    )
    checker.back("out")
    checker.back_done("out")
    return checker


BEND = bytes((0xE0, 100, 64))
ON, OFF = bytes((0x90, 60, 100)), bytes((0x80, 60, 64))
WRONG = {
    "struck before any bend": [ON],
    "beside its key": [bytes((0xE0, 0, 64)), ON],
    "struck while it sounds": [BEND, ON, ON],
    "stray": [BEND, OFF],
    "over": [BEND, ON, bytes((0x90, 62, 100))],
    "after its note-on": [BEND, ON, bytes((0xE0, 0, 64))],
    "equal bend": [BEND, BEND],
    "not a message": [bytes((0x90, 60))],
    "sent as 8n": [BEND, bytes((0x90, 60, 0))],
}


@pytest.mark.parametrize("what", WRONG)
def test_the_checker_finds_each_kind_of_wrong_byte(what):
    checker = cable()
    with pytest.raises(CheckFailed, match=what):
        for content in WRONG[what]:
            checker.hear(1.0, "out", content)
        checker.event_done()


def test_the_checker_finds_what_sounds_and_what_is_owed():
    checker = cable()
    checker.hear(1.0, "out", BEND)
    checker.hear(1.0, "out", ON)
    with pytest.raises(CheckFailed, match="panic"):
        checker.all_silent("panic")
    checker.lost("out")
    with pytest.raises(CheckFailed, match="lost"):
        checker.hear(2.0, "out", OFF)
    checker.back("out")
    with pytest.raises(CheckFailed, match="still sound"):
        checker.back_done("out")
    checker.hear(3.0, "out", OFF)
    checker.back_done("out")
    checker.removed("out")
    with pytest.raises(CheckFailed, match="taken away"):
        checker.hear(4.0, "out", OFF)
