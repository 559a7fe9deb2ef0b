"""The daemon's part of follow over a real socket: stream, moves, reports, inputs (design: Follow).

Engine, wire, handlers and socket are those of ``run``, without MIDI ports.
"""

from __future__ import annotations

import select
import time

import pytest

from kit.small_case import SmallCaseHarness
from zerobeat.client.daemon_client import Client
from zerobeat.config.follow_field import FollowSettings
from zerobeat.errors import CommandError
from zerobeat.midi import NoteOff, NoteOn
from zerobeat.runtime.clients import SocketClients
from zerobeat.runtime.journal import Journal


class FollowDesk:
    def __init__(self, folder):
        self.case = SmallCaseHarness()
        self.folder = folder
        self.clients = SocketClients(
            folder,
            self.case.engine,
            self.case.wire,
            lambda command: self.case.hear(command, ""),
            {},
            lambda: None,
            lambda: {"follow": self.clients.follow.shown()},
            Journal(),
        )
        self.follow = self.clients.follow

    def turn(self, times=4):
        for _ in range(times):
            control = self.clients.control
            now_s = time.monotonic()
            ready, _, _ = select.select(control.readers(now_s), control.writers(), (), 0.02)
            self.clients.serve(ready, time.monotonic())
            self.follow.step(time.monotonic())

    def client(self, role):
        client = Client(self.folder / "control", role=role)
        self.turn()
        return client

    def answer(self, client):
        for _ in range(200):
            self.turn(1)
            if select.select([client], (), (), 0)[0]:
                client.hear()
            for one in client.answers():
                if one.get("id") == client.last_id:
                    return one
        raise TimeoutError

    def ask(self, client, command, **values):
        client.send(command, **values)
        return self.answer(client)

    def batch(self, client, within_s=3.0):
        end_s = time.monotonic() + within_s
        while time.monotonic() < end_s:
            self.turn(1)
            if select.select([client], (), (), 0)[0]:
                client.hear()
            for one in client.answers():
                if "expected" in one:
                    return one
        raise TimeoutError


@pytest.fixture
def desk(tmp_path):
    found = FollowDesk(tmp_path)
    yield found
    found.clients.control.close()


def report(**voice):
    plain = {"drift_cents": 1.0, "why": "", "sure": True, "knob_cents": None, "age_s": 1.0}
    return {"voices": {"reed": {**plain, **voice}}}


def test_the_stream_begins_with_every_voice_and_goes_on_with_what_changes(desk):
    with desk.client("follow") as listener:
        assert desk.ask(listener, "expected")["ok"]
        first = desk.batch(listener)
        assert {one["voice"] for one in first["expected"]} == set(desk.case.engine.states)
        desk.case.hear(NoteOn(0, 60, 90))
        told = {one["voice"]: one for one in desk.batch(listener)["expected"]}
        assert told["reed"]["gate"] and told["reed"]["pitch_cents"] == pytest.approx(6000.0)
        desk.case.hear(NoteOff(0, 60))
        told = {one["voice"]: one for one in desk.batch(listener)["expected"]}
        assert not told["reed"]["gate"]


def test_a_reader_that_falls_behind_is_told_and_gets_every_voice_again(desk):
    with desk.client("follow") as listener:
        desk.ask(listener, "expected")
        desk.batch(listener)
        for number in range(400):
            desk.case.hear(NoteOn(0, 60 + number % 5, 90))
            desk.follow.step(time.monotonic())
            desk.case.hear(NoteOff(0, 60 + number % 5))
        lost, seen = 0, set()
        for _ in range(60):
            try:
                batch = desk.batch(listener, 0.5)
            except TimeoutError:
                break
            lost += batch["lost"]
            seen |= {one["voice"] for one in batch["expected"]}
        assert lost > 0 and seen == set(desk.case.engine.states)


def test_moves_are_for_the_role_follow_and_for_voices_that_may_be_moved(desk):
    move = {"voice": "reed", "offset_cents": 2.0, "reference_cents": 6000.0}
    with desk.client("view") as other:
        assert "not allowed to role view" in desk.ask(other, "follow_move", **move)["error"]
    with desk.client("follow") as listener:
        assert desk.ask(listener, "follow_move", **move)["ok"]
        assert desk.case.engine.shared.tonight.touch_up["reed"].offset_cents == 2.0
        for wrong, error in (
            ({**move, "voice": "all"}, "allowed: one voice"),
            ({**move, "offset_cents": 900.0}, "offset_cents: found 900"),
            ({**move, "sounding_cents": 3.0}, "sounding_cents: found 3"),
            ({"voice": "reed"}, "offset_cents"),
        ):
            assert error in desk.ask(listener, "follow_move", **wrong)["error"]
        desk.follow.ask("reed", "off")
        assert "reed" not in desk.case.engine.shared.follow
        assert "follow is off" in desk.ask(listener, "follow_move", **move)["error"]
        assert "allowed to role" in desk.ask(listener, "recall", scene="next")["error"]


def test_what_the_player_asks_goes_with_the_stream(desk):
    with desk.client("follow") as listener, desk.client("all") as player:
        desk.ask(listener, "expected")
        desk.batch(listener)
        assert (
            "no knob was turned" in desk.ask(player, "following", voice="reed", act="here")["error"]
        )
        desk.ask(listener, "follow_report", **report(knob_cents=4.0))
        assert desk.ask(player, "following", voice="reed", act="back")["ok"]
        assert desk.batch(listener)["asked"] == [{"voice": "reed", "act": "back"}]
        assert (
            "act: found 'sideways'" in desk.ask(player, "following", act="sideways")["error"]
            or "act: found sideways" in desk.ask(player, "following", act="sideways")["error"]
        )


def test_a_report_is_shown_by_voice_while_it_is_fresh(desk):
    with desk.client("follow") as listener:
        assert not desk.follow.shown()["runs"]
        said = report(why="x" * 10, unknown=3)
        said["voices"]["nobody"] = {}
        assert desk.ask(listener, "follow_report", **said)["ok"]
        assert desk.follow.shown()["runs"]
        assert desk.follow.voices()["reed"] == {
            "drift_cents": 1.0,
            "why": "x" * 10,
            "sure": True,
            "knob_cents": None,
            "age_s": 1.0,
        }
        assert "needed" in desk.ask(listener, "follow_report", voices=3)["error"]


def test_the_inputs_are_lent_until_the_borrower_has_gone(desk):
    with desk.client("follow") as listener:
        desk.ask(listener, "expected")
        desk.batch(listener)
        desk.ask(listener, "follow_report", inputs=True, **report())
        borrower = desk.client("measure")
        assert desk.ask(borrower, "borrow_inputs")["said"] == "wait"
        assert desk.batch(listener)["inputs"] == "wanted"
        desk.ask(listener, "follow_report", inputs=False, **report())
        assert desk.ask(borrower, "borrow_inputs")["said"] == "free"
        borrower.close()
        desk.turn()
        assert desk.batch(listener)["inputs"] == ""


def test_two_borrowers_and_the_last_gives_back(desk):
    with desk.client("follow") as listener:
        desk.ask(listener, "expected")
        desk.batch(listener)
        first, second = desk.client("measure"), desk.client("measure")
        for borrower in (first, second):
            assert desk.ask(borrower, "borrow_inputs")["said"] == "free"
        assert desk.batch(listener)["inputs"] == "wanted"
        second.close()
        desk.turn()
        assert desk.follow.shown()["inputs"] == "lent"
        first.close()
        desk.turn()
        assert desk.batch(listener)["inputs"] == ""
        assert desk.follow.shown()["inputs"] == ""


def test_inputs_that_are_lent_are_not_claimed(desk):
    """Follow says that it will open them; the daemon alone knows who comes first."""
    with desk.client("follow") as listener, desk.client("measure") as borrower:
        assert desk.ask(borrower, "borrow_inputs")["said"] == "free"
        assert desk.ask(listener, "follow_report", inputs=True, **report())["said"] == "lent"
        assert desk.ask(borrower, "borrow_inputs")["said"] == "free"
        borrower.close()
        desk.turn()
        said = desk.ask(listener, "follow_report", inputs=True, **report())["said"]
        assert said == "reported"
        with desk.client("measure") as late:
            assert desk.ask(late, "borrow_inputs")["said"] == "wait"


def test_a_follow_that_opens_the_inputs_for_long_is_waited_for(desk, monkeypatch):
    """A slow box or sound server: its last report is old, and its connection is there."""
    with desk.client("follow") as listener, desk.client("measure") as borrower:
        desk.ask(listener, "follow_report", inputs=True, **report())
        monkeypatch.setattr("zerobeat.runtime.follow_stream.GONE_S", 0.0)
        assert not desk.follow.shown()["runs"]
        assert desk.ask(borrower, "borrow_inputs")["said"] == "wait"


def test_a_follow_that_died_has_no_inputs(desk):
    with desk.client("measure") as borrower:
        listener = desk.client("follow")
        desk.ask(listener, "follow_report", inputs=True, **report())
        assert desk.ask(borrower, "borrow_inputs")["said"] == "wait"
        listener.close()
        desk.turn()
        assert desk.ask(borrower, "borrow_inputs")["said"] == "free"
        assert not desk.follow.shown()["runs"]


def test_the_unit_is_asked_for_by_a_file(desk, tmp_path):
    desk.follow.use(FollowSettings(enabled=True))
    assert (tmp_path / "follow.wanted").exists() and desk.follow.shown()["enabled"]
    desk.follow.use(FollowSettings())
    assert not (tmp_path / "follow.wanted").exists()


def test_a_pedal_switches_it(desk):
    assert "not followed" in desk.follow.ask_by_foot(None, "")
    assert "followed" in desk.follow.ask_by_foot(None, "")
    with pytest.raises(CommandError, match="no knob"):
        desk.follow.ask_by_foot("reed", "here")


def test_off_is_kept_over_a_restart_and_all_on_leaves_a_voice_that_was_taken_out(desk):
    """What a player has switched off stays off when the box was switched off in between."""
    desk.follow.ask("reed", "off")
    desk.follow.ask("all", "off")
    assert desk.case.engine.shared.follow_off == {"all", "reed"}
    assert desk.follow.shown()["off"] == ["all", "reed"]
    with desk.client("follow") as listener:
        desk.ask(listener, "expected")
        asked = desk.batch(listener)["asked"]
        assert asked == [{"voice": name, "act": "off"} for name in ("all", "reed")]
        assert "reed still off: zerobeat follow reed" in desk.follow.ask("all", "on")
        assert desk.batch(listener)["asked"] == [
            {"voice": "all", "act": "on"},
            {"voice": "reed", "act": "off"},
        ]
    assert desk.follow.off == {"reed"}
    desk.follow.ask("all", "on")
    assert not desk.follow.off


def test_a_pedal_of_a_voice_that_has_gone_is_refused_and_nothing_is_off(desk):
    with pytest.raises(CommandError, match="voice: found 'bassoon'"):
        desk.follow.ask_by_foot("bassoon", "")
    assert not desk.follow.off
