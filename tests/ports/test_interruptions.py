"""A message interrupts long work where that is allowed, and nowhere else (M8)."""

from __future__ import annotations

import os
import signal
import threading
import time
from collections import deque

import pytest

from zerobeat.ports.interruptions import SIGNAL, Interruptions


class Player:
    """Plays what is in its inbox, as the note path does, and notes who was interrupted."""

    def __init__(self, looks=False):
        self.inbox = deque()
        self.played = []
        self.depth = 0
        self.due_s = None
        self.interruptions = Interruptions(self.serve, lambda: self.due_s, looks)
        self.before = {number: signal.getsignal(number) for number in (SIGNAL, signal.SIGALRM)}
        self.interruptions.listen()

    def serve(self):
        allowed, self.interruptions.allowed = self.interruptions.allowed, False
        self.depth += 1
        assert self.depth == 1, "interrupted while it plays"
        while self.inbox:
            self.played.append(self.inbox.popleft())
        if self.due_s is not None and self.due_s <= time.monotonic():
            self.played.append("due")
            self.due_s = None
        self.depth -= 1
        self.interruptions.allowed = allowed

    def close(self):
        for number, handler in self.before.items():
            signal.signal(number, handler)

    def hear(self, number):
        self.inbox.append(number)
        self.interruptions.arrived()


@pytest.fixture
def player():
    found = Player()
    yield found
    found.close()


def busy(player, until):
    """Compute without looking at the inbox; False if that took a second."""
    end_s = time.monotonic() + 1.0
    while time.monotonic() < end_s:
        if until():
            return True
    return False


def test_within_the_work_a_message_is_played_at_once(player):
    keys = threading.Thread(target=lambda: [player.hear(number) for number in range(1000)])
    with player.interruptions:
        keys.start()
        assert busy(player, lambda: len(player.played) == 1000)
    keys.join()
    assert player.played == list(range(1000))


def test_what_becomes_due_in_the_work_is_played_in_time(player):
    player.due_s = at_s = time.monotonic() + 0.02
    with player.interruptions:
        assert busy(player, lambda: player.played == ["due"])
        assert time.monotonic() - at_s < 0.5
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_what_a_message_makes_due_is_played_in_time_too(player):
    with player.interruptions:
        player.due_s = time.monotonic() + 0.02
        player.hear(1)
        assert busy(player, lambda: player.played == [1, "due"])


def test_what_becomes_due_later_sets_no_timer(player):
    player.due_s = time.monotonic() + 60.0
    with player.interruptions:
        assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_where_nobody_says_that_a_message_came_it_is_looked_for():
    """As on JACK."""
    player = Player(looks=True)
    keys = threading.Timer(0.01, player.inbox.append, (1,))
    keys.start()
    with player.interruptions:
        assert busy(player, lambda: player.played == [1])
    keys.join()
    player.inbox.append(2)
    assert busy(player, lambda: True)
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
    assert player.played == [1]
    player.close()


def test_elsewhere_it_waits_until_it_is_asked_for(player):
    player.hear(1)
    sum(range(100_000))
    assert player.played == []
    with player.interruptions:
        assert player.played == [1]


def test_what_comes_as_the_work_ends_is_played_at_its_end(player):
    with player.interruptions:
        player.inbox.append(1)  # the callback was about to say so
    assert player.played == [1]


def test_after_an_error_in_the_work_nothing_is_interrupted_any_more(player):
    with pytest.raises(ValueError, match="no number"), player.interruptions:
        raise ValueError("no number")
    player.hear(1)
    assert player.played == []


def test_a_fault_before_the_work_leaves_nothing_to_be_interrupted():
    def serve():
        raise ValueError("a fault in the wire")

    interruptions = Interruptions(serve)
    with pytest.raises(ValueError, match="a fault"), interruptions:
        pass
    assert not interruptions.allowed


def test_the_signal_from_outside_does_no_harm(player):
    os.kill(os.getpid(), SIGNAL)
    assert busy(player, lambda: True)
    assert player.played == []
