"""Random playing with MPE fingers and glides, judged by its bytes alone (N1, N2, N4, B1)."""

from __future__ import annotations

import pytest

from kit.expressive_playing import ExpressivePlaying

STEPS = 10_000
LOT = 2_500  # steps of one engine, begun anew with another seed


@pytest.mark.parametrize("seed", range(STEPS // LOT))
def test_fingers_and_glides_leave_no_wrong_byte(seed):
    playing = ExpressivePlaying(seed)
    playing.run(LOT)
    assert playing.checker.notes > LOT // 4


@pytest.mark.slow
def test_a_million_expressive_steps_leave_no_wrong_byte(request):
    steps = request.config.getoption("--steps") or 1_000_000
    for seed in range(1000, 1000 + -(-steps // LOT)):
        ExpressivePlaying(seed).run(LOT)


def test_the_same_expressive_playing_gives_the_same_bytes():
    first, second = ExpressivePlaying(7, record=True), ExpressivePlaying(7, record=True)
    first.run(800)
    second.run(800)
    assert first.raw == second.raw
