"""A real ALSA sound card without hardware (snd-aloop), through PortAudio. Run in the guest:

    /opt/zerobeat/current/bin/python sound_card.py [WORD IN A NAME]

What ``aplay`` plays into the card's first device is recorded from its second. The guest is ten
times slower than a machine of its own and more where its host is busy, so a second of sound is
prepared and played in a loop, and one note is read.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from guest import PATIENCE, SLOW_S, main, wait

from zerobeat.errors import AudioError, TakeRefusedError
from zerobeat.measure.audio.audio_inputs import AudioInputs
from zerobeat.measure.audio.devices import Device, WantedInput, list_devices, name_in_rig
from zerobeat.measure.pitch.reader import estimate_pitch

DRIVER = Path("/sys/bus/platform/drivers/snd_aloop")
HERTZ = 220.0  # whole periods in the second that is played in a loop
RATES = (44_100, 48_000, 96_000)
FORMATS = {"S16_LE": "<i2", "S32_LE": "<i4"}


def _plug() -> None:
    """Plug the card in; one program at a time can record from it, as from real ones."""
    if DRIVER.is_dir():
        with contextlib.suppress(OSError):
            (DRIVER / "bind").write_text("snd_aloop.0")
    else:
        line = "modprobe snd-aloop id=LabBox pcm_substreams=1"
        subprocess.run(line.split(), check=True)
    time.sleep(1.0)


def _unplug() -> subprocess.Popen[bytes]:
    """Pull the card; what is returned ends once everybody has closed it."""
    return subprocess.Popen(["sh", "-c", f"echo snd_aloop.0 >{DRIVER}/unbind"])


def _loopbacks() -> list[Device]:
    return [one for one in list_devices() if "Loopback" in one.name]


def _capture() -> WantedInput:
    """Return the input that records what is played into the card's first device."""
    there = _loopbacks()
    assert there, [one.name for one in list_devices()]
    second = next((one for one in there if any("1" in word for word in one.identity)), there[-1])
    return WantedInput("left", name_in_rig(second, there))


@contextlib.contextmanager
def _playing(rate: int = 48_000, form: str = "S16_LE", channels: int = 2) -> Iterator[None]:
    """Play a saw of ``HERTZ`` into the card, over and over."""
    time_s = np.arange(rate) / rate
    saw = sum(np.sin(2 * np.pi * HERTZ * k * time_s) / k for k in range(1, 20))
    peak = np.iinfo(FORMATS[form]).max
    one = (0.25 * peak * saw / np.abs(saw).max()).astype(FORMATS[form])
    with tempfile.NamedTemporaryFile(suffix=".raw") as file:
        file.write(np.repeat(one[:, None], channels, axis=1).tobytes())
        file.flush()
        line = (
            f"while cat {file.name}; do :; done 2>/dev/null | "
            f"aplay -q -D hw:LabBox,0 -t raw -f {form} -r {rate} -c {channels} --buffer-time=500000"
        )
        process = subprocess.Popen(
            ["bash", "-c", line], stderr=subprocess.DEVNULL, start_new_session=True
        )
        try:
            yield
        finally:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()


def _read(inputs: AudioInputs, seconds: float = 0.2) -> float:
    """Return the pitch of a take in cents off, tried for a while: the guest loses sound."""
    lost = silent = 0
    end_s = time.monotonic() + SLOW_S * PATIENCE
    while time.monotonic() < end_s:
        sounds = inputs.take(["left"], time.monotonic(), seconds)
        if sounds is None:
            lost += 1
            continue
        sound = sounds["left"]
        try:
            found = estimate_pitch(sound.samples, sound.rate_hz, expected_hz=HERTZ)
        except TakeRefusedError as error:  # the player of the sound was late
            silent += 1
            why = str(error)
            continue
        if lost or silent:
            print(f"    {lost} takes lost, {silent} refused before it")
        return float(1200 * np.log2(found.hertz / HERTZ))
    raise AssertionError(f"{lost} takes were lost, {silent} refused: {why if silent else ''}")


def names_are_told_apart() -> None:
    """A1: two devices of one card have one name; what the rig writes finds each."""
    _plug()
    there = _loopbacks()
    written = [name_in_rig(one, there) for one in there]
    assert len(set(written)) == len(written), written
    assert not any("nothing tells" in one or "hw:1" in one for one in written), written
    print(f"    {written}")


def a_note_is_read_at_every_format() -> None:
    """A4: 16 and 32 bits."""
    _plug()
    for form in FORMATS:
        with _playing(form=form), AudioInputs([_capture()]) as inputs:
            assert abs(_read(inputs)) < 0.1, form


def a_note_is_read_at_every_rate() -> None:
    """A4: the card runs at the rate that is played; what is read is stated by it."""
    for rate in RATES:
        _plug()
        with _playing(rate), AudioInputs([_capture()]) as inputs:
            off = _read(inputs)
            stated = inputs.rate_hz("left")
            print(f"    {rate} Hz played, {stated:g} stated: {off:+.2f} cents")
            assert abs(off) < 0.1, (rate, stated)


def thirty_two_channels() -> None:
    """A1: the last of 32 channels is an input like the first."""
    _plug()
    wanted = _capture()
    last = WantedInput("left", wanted.device, channel=31)
    with _playing(channels=32), AudioInputs([last]) as inputs:
        assert abs(_read(inputs)) < 0.1


def a_card_pulled_in_the_middle_of_a_take_is_named() -> None:
    """A5: one clear line, soon; the card comes back with another number and is found again."""
    _plug()
    with _playing():
        inputs = AudioInputs([_capture()])
        try:
            _read(inputs)
            start_s = time.monotonic()
            pulled = _unplug()
            try:
                inputs.take(["left"], time.monotonic(), 4.0)
            except AudioError as error:
                took_s = time.monotonic() - start_s
                print(f"    {error} (after {took_s:.1f} s)")
                assert "\n" not in str(error)
                assert took_s < 12.0 * PATIENCE
            else:
                raise AssertionError("a take of a card that is gone")
        finally:
            inputs.close()
    pulled.wait(SLOW_S * PATIENCE)
    # Another card takes the number in between.
    subprocess.run(["modprobe", "snd-dummy"], check=False)
    _plug()
    with _playing(), AudioInputs([_capture()]) as again:
        assert abs(_read(again)) < 0.1


def a_busy_card_is_one_line() -> None:
    """A5: a card that another program records from."""
    _plug()
    wanted = _capture()
    other = subprocess.Popen(
        ["arecord", "-q", "-D", "hw:LabBox,1", "-f", "cd", "/dev/null"], stderr=subprocess.DEVNULL
    )
    status = Path("/proc/asound/LabBox/pcm1c/sub0/status")
    wait("the other program", lambda: "closed" not in status.read_text())
    try:
        with AudioInputs([wanted]):
            raise AssertionError("a busy card was opened")
    except AudioError as error:
        print(f"    {error}")
        assert "\n" not in str(error)
        assert "is in use by arecord" in str(error), error
    finally:
        other.kill()
        other.wait()


def overruns_void_a_take() -> None:
    """A6: a recorder that is stopped for a while loses sound; no take is made of the rest."""
    _plug()
    with _playing(), AudioInputs([_capture()]) as inputs:
        _read(inputs)
        before = inputs.void
        subprocess.run(["kill", "-STOP", str(inputs.pid)], check=True)
        from_s = time.monotonic()
        time.sleep(1.5)
        subprocess.run(["kill", "-CONT", str(inputs.pid)], check=True)
        sounds = inputs.take(["left"], from_s - 0.2, 2.0)
        assert sounds is None or inputs.void > before
        assert abs(_read(inputs)) < 0.1


if __name__ == "__main__":
    sys.exit(main())
