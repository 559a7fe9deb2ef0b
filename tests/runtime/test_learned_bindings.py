"""Learned bindings: what could not be stored is not in force, whatever was asked meanwhile."""

from __future__ import annotations

from pathlib import Path

import pytest

from kit.small_case import SmallCaseHarness
from zerobeat.errors import CommandError
from zerobeat.runtime.journal import Journal
from zerobeat.runtime.learned_bindings import LearnedBindings
from zerobeat.state.store_writer import Done


class SlowDisk:
    """Stands where the persistence stands: a write ends when the test says so."""

    def __init__(self):
        self.store = self
        self.waiting = []
        self.texts = []
        self.full = False

    def load_bindings(self):
        return None

    def save_bindings(self, text, callback):
        if self.full:
            raise CommandError("too many stores wait")
        self.texts.append(text)
        self.waiting.append(callback)

    def finish(self, error=""):
        done = Done(0, "bindings", Path("bindings.yaml"), error)
        self.waiting.pop(0)(done, 0.0)


class LearnHarness:
    def __init__(self):
        self.case = SmallCaseHarness()
        self.disk = SlowDisk()
        self.answers = []
        self.learned = LearnedBindings(
            self.disk, self.case.engine, lambda command: self.case.hear(command, ""), Journal()
        )

    def ask(self, command, **values):
        later = self.learned.known[command](values)
        later.add_callback(lambda answer, now_s: self.answers.append(answer))

    def bind(self, controller):
        self.ask("bind", input="keys", controller=controller, action="next")

    @property
    def in_force(self):
        return [each.binding.number for each in self.case.engine.pedals.bound.learned]


@pytest.fixture
def learn():
    return LearnHarness()


def test_what_was_learned_is_in_force_at_once_and_answered_once_stored(learn):
    learn.bind(80)
    assert learn.in_force == [80] and learn.answers == []
    learn.disk.finish()
    assert learn.answers[0]["ok"] and learn.in_force == [80]


@pytest.mark.parametrize("first", ["", "no room"])
@pytest.mark.parametrize("second", ["", "no room"])
def test_what_could_not_be_stored_is_not_in_force(learn, first, second):
    learn.bind(80)
    learn.bind(81)
    learn.disk.finish(first)
    learn.disk.finish(second)
    assert [answer["ok"] for answer in learn.answers] == [not first, not second]
    kept = [80] * (not first) + [81] * (not second)
    assert learn.in_force == kept
    if not second:
        assert all(
            (f": {number}" in learn.disk.texts[-1]) == (number in kept) for number in (80, 81)
        )


def test_what_waits_for_the_disk_is_refused_one_by_one(learn):
    for number in (80, 81, 82):
        learn.bind(number)
    learn.disk.full = True
    learn.disk.finish()
    assert [answer["ok"] for answer in learn.answers] == [True, False, False]
    assert learn.in_force == [80]
    with pytest.raises(CommandError, match="too many"):
        learn.bind(83)
    learn.disk.full = False
    learn.bind(84)
    assert learn.in_force == [80, 84]


def test_a_switch_is_forgotten_whatever_was_learned_meanwhile(learn):
    learn.bind(80)
    learn.bind(81)
    learn.disk.finish()
    learn.disk.finish()
    learn.bind(82)
    learn.ask("forget", number=2)
    learn.disk.finish()
    learn.disk.finish()
    assert learn.in_force == [80, 82]
    assert [answer["ok"] for answer in learn.answers] == [True] * 4
