"""Loops back to an input are muted and named (requirement M21)."""

from zerobeat.runtime.midi_loops import LOOP_QUIET_S, MOST_NOTES, MOST_OTHERS, MidiLoopGuard

ON = bytes.fromhex("903c64")
OTHER = bytes.fromhex("903e64")


def flood(loop_guard, name, content, count, start_s=0.0, every_s=0.002):
    """Return what was said to each message; one comes every 2 ms, as over a DIN cable."""
    return [loop_guard.check(name, content, start_s + every_s * k) for k in range(count)]


def test_a_loop_is_muted_named_and_only_that_input():
    loop_guard = MidiLoopGuard()
    loop_guard.sent.extend([("quad", ON), ("octo", OTHER)])
    said = flood(loop_guard, "keys", ON, MOST_NOTES + 50)
    assert said[:MOST_NOTES] == [""] * MOST_NOTES
    assert "input keys: the same message [90 3c 64] 101 times" in said[MOST_NOTES]
    assert "what goes out on quad comes back" in said[MOST_NOTES]
    assert said[MOST_NOTES + 1 :] == [None] * 49
    assert loop_guard.muted == ("keys",) and loop_guard.dropped == 49
    assert loop_guard.check("steps", ON, 0.3) == ""


def test_it_is_heard_again_after_quiet_and_not_before():
    loop_guard = MidiLoopGuard()
    flood(loop_guard, "keys", ON, MOST_NOTES + 1)
    last_s = 0.002 * MOST_NOTES
    assert loop_guard.check("keys", OTHER, last_s + LOOP_QUIET_S - 0.1) is None
    assert (
        loop_guard.check("keys", OTHER, last_s + 2 * LOOP_QUIET_S - 0.2) is None
    )  # the quiet begins anew
    assert loop_guard.check("keys", OTHER, last_s + 3 * LOOP_QUIET_S) == ""
    assert loop_guard.muted == ()


def test_fast_playing_a_clock_and_a_worn_knob_are_no_storm():
    loop_guard = MidiLoopGuard()
    # 64th notes at 200 beats a minute are 53 a second; 24 clocks a beat at 300 are 120 (MIDI 1.0).
    assert set(flood(loop_guard, "keys", ON, 60 * 53, every_s=1 / 53)) == {""}
    assert set(flood(loop_guard, "steps", b"\xf8", 60 * 120, every_s=1 / 120)) == {""}
    knob = [loop_guard.check("knob", bytes((0xB0, 7, k % 2)), 0.002 * k) for k in range(5000)]
    assert set(knob) == {""}


def test_other_messages_of_a_loop_count_too():
    loop_guard = MidiLoopGuard()
    said = flood(loop_guard, "keys", b"\xf8", MOST_OTHERS + 1, every_s=0.0001)
    assert said[-1].endswith("its local control and its thru")
    assert "a loop" in said[-1]
