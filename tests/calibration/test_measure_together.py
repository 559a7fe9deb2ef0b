"""Several voices on one input, measured from one take (requirements A8, A10)."""

from __future__ import annotations

import pytest

from kit.virtual_octo import measure_all, octo

COUNT, LOW, HIGH = 3, 55, 66


@pytest.fixture(autouse=True)
def environment(tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path / "state"))
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))


def worst_cents(daemon, channel, found):
    heard = [float(daemon.case.pitches(channel, n, 0, daemon.now_s)) for n in range(LOW, HIGH + 1)]
    return max(
        abs(found.fit.curve.sounding(100.0 * note) - at)
        for note, at in zip(range(LOW, HIGH + 1), heard, strict=True)
    )


def test_voices_on_one_input_are_measured_at_once_and_as_well(tmp_path):
    session, daemon = octo(tmp_path, COUNT, 1, LOW, HIGH)
    began_s = daemon.now_s
    found, said = measure_all(session)
    assert "not kept" not in said
    for channel, one in enumerate(found.values()):
        assert one.fit.bend.range_cents == pytest.approx(200.0, abs=2.0)  # of the rig
        assert worst_cents(daemon, channel, one) < 0.5
        assert all(abs(check.after_cents) < 0.6 for check in one.proof.checks)
        assert not one.fit.wrong_notes
    together = [voices for voices, _ in session.audio.log if voices > 1]
    assert len(together) > 15 and max(together) == COUNT
    assert daemon.now_s - began_s < 45.0  # one after the other: 60
    assert not session.said or "one by one" not in " ".join(session.said)


def test_what_a_shared_circuit_mixes_is_read_one_by_one_and_said(tmp_path):
    """A circuit that bends the sum of two voices makes tones that neither has."""
    session, daemon = octo(tmp_path, 2, 1, LOW, HIGH)
    session.audio.bent = lambda samples: samples + 6.0 * samples**2
    found, _ = measure_all(session, glance=False)
    assert any("can't be told apart there" in line for line in session.said)
    for channel, one in enumerate(found.values()):
        assert worst_cents(daemon, channel, one) < 0.5
