"""The needle of a measuring command: shown to others, and gone with its client."""

import time

from kit.small_case import SmallCaseHarness
from zerobeat.runtime.needle import OLD_S
from zerobeat.runtime.socket_commands import SocketCommands


class NeedleHarness:
    def __init__(self):
        self.asking = "tune"
        case = SmallCaseHarness()
        self.handlers = SocketCommands(
            case.engine, lambda command: case.hear(command, ""), lambda: self.asking
        )

    def ask(self, **values):
        return self.handlers.answer({"command": "needle", **values})

    def shown(self, later_s=0.0):
        return self.handlers.needle.shown(time.monotonic() + later_s)


def test_a_reading_is_shown_until_it_is_old_or_its_client_goes():
    desk = NeedleHarness()
    assert desk.shown() is None
    assert desk.ask(voice="reed", cents=12.345, text="reed: 12.3 cents high: turn it down")["ok"]
    shown = {"voice": "reed", "cents": 12.35, "span_cents": 50.0}
    assert desk.shown() == shown | {"text": "reed: 12.3 cents high: turn it down"}
    assert desk.shown(OLD_S + 1.0) is None
    assert desk.ask(voice="reed", text="reed: silent")["ok"]
    desk.handlers.needle.gone("another")
    assert desk.shown()["cents"] is None
    desk.handlers.needle.gone("tune")
    assert desk.shown() is None


def test_what_is_refused_shows_nothing():
    desk = NeedleHarness()
    for values, error in (
        ({"voice": "all", "text": "x"}, "voice: found all; allowed: one voice"),
        ({"voice": "rood", "text": "x"}, "found rood"),
        ({"voice": "reed", "cents": "low"}, "cents: found low"),
        ({"voice": "reed", "text": "x" * 201}, "found 201 characters; allowed: 200 at most"),
        ({"voice": "reed", "text": "x", "more": 1}, "more: found unknown key"),
    ):
        answer = desk.ask(**values)
        assert not answer["ok"] and error in answer["error"], answer
    assert desk.shown() is None


def test_one_needle_at_a_time():
    desk = NeedleHarness()
    desk.ask(voice="reed", cents=1.0)
    desk.asking = "trim"
    assert "another client shows a needle" in desk.ask(voice="bass", cents=2.0)["error"]
    desk.handlers.needle.gone("tune")
    assert desk.ask(voice="bass", cents=2.0)["ok"]
