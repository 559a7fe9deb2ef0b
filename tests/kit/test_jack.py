"""The kit checks itself: what it plays, hears and records is what the server carried."""

import numpy as np
import pytest

from kit.jack import (
    RATE_HZ,
    AudioRecorder,
    JackServer,
    MidiRecorder,
    MidiSender,
    OscillatorBank,
    jack_is_installed,
    wait_until,
)

pytestmark = pytest.mark.skipif(not jack_is_installed(), reason="jackd2 is not installed")


def loudest_hertz(sound: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 1 << 20))
    return float(spectrum.argmax()) * RATE_HZ / (1 << 20)


def test_what_is_played_is_heard_in_order():
    played = [b"\x90\x3c\x64", b"\x80\x3c\x40", b"\xf0\x7d\x01\xf7", b"\xf8", b"\xfe"]
    with JackServer() as server, MidiSender("keys") as keys, MidiRecorder("quad") as quad:
        server.connect("keys:out", "quad:in")
        keys.play([(0.01 * n, content) for n, content in enumerate(played)])
        assert [content for _, content in quad.wait_for(5)] == played


def test_an_oscillator_is_off_by_its_detune():
    with (
        JackServer() as server,
        MidiSender("keys") as keys,
        OscillatorBank([0.0, {69: 25.0}]) as bank,
    ):
        server.connect("keys:out", bank.midi_port)
        server.wait_for_port(bank.audio_port(1))
        with AudioRecorder([bank.audio_port(0), bank.audio_port(1)]) as tape:

            def both_sound() -> bool:
                # Struck again each time: a synth that is still loading misses a note.
                keys.send(b"\x90\x45\x64")
                keys.send(b"\x91\x45\x64")
                return np.abs(tape.record(0.3)).max(0).min() > 0.01

            wait_until(both_sound, 20.0, "both oscillators")
            sound = tape.record(1.0)
    cents = 1200 * np.log2(loudest_hertz(sound[:, 1]) / loudest_hertz(sound[:, 0]))
    assert cents == pytest.approx(25.0, abs=0.4)  # two FFT bins of 0.18 cents


def test_a_second_server_opens_after_the_first_has_closed():
    for _ in range(2):
        with JackServer() as server, MidiSender("keys"):
            assert "keys:out" in server.ports()
