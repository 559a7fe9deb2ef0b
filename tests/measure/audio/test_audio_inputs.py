"""Audio inputs over real JACK ports: devices, complete takes, and lost samples (A1 to A7)."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from kit.jack import (
    RATE_HZ,
    SOUND_FONT,
    STEADY_REED,
    JackServer,
    MidiSender,
    OscillatorBank,
    jack_is_installed,
)
from zerobeat.cli import main
from zerobeat.errors import AudioError
from zerobeat.measure.audio import recorder
from zerobeat.measure.audio.audio_inputs import AudioInputs
from zerobeat.measure.audio.devices import (
    Device,
    WantedInput,
    find_device,
    list_devices,
    name_in_rig,
)
from zerobeat.measure.pitch.reader import estimate_pitch

live = pytest.mark.skipif(
    not jack_is_installed() or not SOUND_FONT.exists(),
    reason="jackd2, fluidsynth or timgm6mb-soundfont is not installed",
)
PERIOD = 1024  # with short ones a busy machine has an overrun a second, and each voids a take
ON, OFF = (b"\x90\x45\x64", b"\x80\x45\x40")
SECOND = WantedInput("right", "osc", channel=2)  # each channel of the synth has two ports


def whole(inputs, names, seconds, after_s=0.0):
    """Return a complete take, repeated while a busy machine loses samples."""
    for _ in range(8):
        sounds = inputs.take(names, time.monotonic() + after_s, seconds)
        if sounds is not None:
            return sounds
    raise AssertionError(f"{inputs.void} takes void")


def device(index, name, *identity):
    return Device(index, name, identity, 2, 48_000.0)


LISTED = [
    device(0, "Line Box: USB Audio", "usb 1-1.2", "card Box", "alsa"),
    device(1, "Line Box: USB Audio", "usb 1-1.3", "card Box_1", "alsa"),
    device(2, "Box", "card B", "alsa"),
    device(3, "Box 10", "card B10", "alsa"),
]


@pytest.mark.parametrize(
    ("wanted", "index"),
    [
        (WantedInput("left", "Box"), 2),  # an exact name wins (requirement M6)
        (WantedInput("left", "Box 10"), 3),
        (WantedInput("left", "Line Box: USB Audio [usb 1-1.3]"), 1),
        (WantedInput("left", "Line Box: USB Audio [card Box]"), 0),
        (WantedInput("left", "Box ??", True), 3),
    ],
)
def test_a_device_is_meant_by_its_stable_name(wanted, index):
    assert find_device(wanted, LISTED).index == index


def test_two_of_one_name_are_refused_with_what_to_write():
    """Requirements A1, M5: nothing is guessed; both are named with the line for the rig."""
    with pytest.raises(AudioError) as caught:
        find_device(WantedInput("left", "Line Box: USB Audio"), LISTED)
    assert str(caught.value) == (
        'audio input left: found 2 devices "Line Box: USB Audio"; write one of: '
        'device: "Line Box: USB Audio [usb 1-1.2]" or device: "Line Box: USB Audio [usb 1-1.3]"'
    )


def test_a_missing_device_is_named_with_those_that_are_there():
    with pytest.raises(AudioError, match='found no device "Boks"; there are: "Line Box'):
        find_device(WantedInput("left", "Boks"), LISTED)
    with pytest.raises(AudioError, match="found 4 devices"):
        find_device(WantedInput("left", "*Box*", True), LISTED)


def test_names_are_shown_with_what_tells_them_apart_where_needed():
    assert [name_in_rig(one, LISTED) for one in LISTED[1:3]] == [
        "Line Box: USB Audio [usb 1-1.3]",
        "Box",
    ]


@contextlib.contextmanager
def synth(*detunes, synchronous=True):
    """Yield a server and a keyboard that plays a soft synth, once its audio is there."""
    with (
        JackServer(PERIOD, synchronous) as server,
        OscillatorBank(detunes, program=STEADY_REED) as bank,
        MidiSender("keys") as keys,
    ):
        server.connect("keys:out", bank.midi_port)
        server.wait_for_port(bank.audio_port(len(detunes) - 1))
        yield server, keys


# As the kernel writes it: sound/core/pcm.c, snd_pcm_proc_info_read; init.c, snd_card_info_read.
PCM_INFO = """\
card: 1
device: 1
subdevice: 0
stream: CAPTURE
id: USB Audio
name: USB Audio
subname: subdevice #0
class: 0
subclass: 0
subdevices_count: 1
subdevices_avail: {free}
"""


@pytest.mark.parametrize(("free", "names"), [(0, ["Line Box: USB Audio"]), (1, [])])
def test_a_card_in_use_is_still_there_and_who_has_it_is_named(tmp_path, free, names):
    """A5: PortAudio leaves such a device out; so a rig's name for it led to "is not there"."""
    (tmp_path / "cards").write_text(
        " 0 [VirMIDI        ]: VirMIDI - VirMIDI\n                      Virtual MIDI Card 1\n"
        " 1 [Box            ]: USB-Audio - Line Box\n                      Maker Line Box at usb\n"
    )
    folder = tmp_path / "card1" / "pcm1c"
    (folder / "sub0").mkdir(parents=True)
    (folder / "info").write_text(PCM_INFO.format(free=free))
    (folder / "sub0" / "status").write_text(f"state: RUNNING\nowner_pid   : {os.getpid()}\n")
    (tmp_path / "card1" / "pcm0p").mkdir()
    found = recorder.used_devices(tmp_path)
    assert [one["name"] for one in found] == names
    for one in found:
        assert one["used_by"] == Path("/proc/self/comm").read_text().strip()
        assert "device 1" in one["identity"]


@live
def test_levels_show_which_channel_sounds():
    """Requirement A2."""
    with synth(0.0, 0.0) as (_, keys):
        keys.send(b"\x91\x45\x64")
        (osc,) = [one for one in list_devices(levels_s=0.4) if one.name == "osc"]
        assert osc.rate_hz == RATE_HZ
        rms = [level for level, _ in osc.levels]
        assert rms[2] > 0.005 and max(rms[0], rms[1]) < 1e-4


@live
def test_takes_of_two_inputs_at_once_are_whole_and_in_time():
    with synth(0.0, 40.0) as (_, keys), AudioInputs((WantedInput("left", "osc"), SECOND)) as inputs:
        assert inputs.rate_hz("left") == RATE_HZ and inputs.device_of("right") == "osc"
        quiet = whole(inputs, ["left"], 0.2)["left"].samples
        keys.send(ON)
        keys.send(bytes((0x91, *ON[1:])))
        sounds = whole(inputs, ["left", "right"], 0.5, 0.2)
        assert np.abs(quiet).max() < 1e-4
        assert {len(sound.samples) for sound in sounds.values()} == {RATE_HZ // 2}
        left, right = (
            estimate_pitch(sounds[name].samples, sounds[name].rate_hz, expected_hz=440.0).hertz
            for name in ("left", "right")
        )
        assert 1200 * np.log2(right / left) == pytest.approx(40.0, abs=0.1)
        keys.send(OFF)


@live
def test_a_known_clock_error_is_taken_out():
    """Requirement A11: 100 ppm are 0.17 cents."""
    with synth(0.0):
        with AudioInputs((WantedInput("left", "osc", clock_ppm=100.0),)) as inputs:
            sound = whole(inputs, ["left"], 0.1)["left"]
        assert sound.rate_hz == pytest.approx(RATE_HZ / 1.0001)


@live
def test_a_recorder_that_falls_behind_makes_a_take_void():
    """Requirement A6: the recorder process is paused while the server runs on."""
    with synth(0.0, synchronous=False), AudioInputs((WantedInput("left", "osc"),)) as inputs:
        whole(inputs, ["left"], 0.2)
        void = inputs.void

        def stop_for_a_while():
            time.sleep(0.2)
            os.kill(inputs.pid, signal.SIGSTOP)
            time.sleep(0.15)
            os.kill(inputs.pid, signal.SIGCONT)

        stopping = threading.Thread(target=stop_for_a_while)
        stopping.start()
        assert inputs.take(["left"], time.monotonic(), 0.8) is None
        stopping.join()
        assert inputs.void == void + 1
        whole(inputs, ["left"], 0.2, 0.1)


@live
def test_a_device_plugged_in_later_is_found_and_one_that_goes_is_one_line():
    """Requirement A3: each run lists the devices that are there at its start."""
    with JackServer(PERIOD, synchronous=False) as server:
        with pytest.raises(AudioError, match='found no device "osc"; there are: "system"'):
            AudioInputs((WantedInput("left", "osc"),))
        with OscillatorBank((0.0,)) as bank:
            server.wait_for_port(bank.audio_port(0))
            inputs = AudioInputs((WantedInput("left", "osc"),))
            whole(inputs, ["left"], 0.1)
            server.kill()
            with pytest.raises(AudioError, match="osc: (has gone|ended while|sends no more)"):
                while True:
                    inputs.take(["left"], time.monotonic(), 0.5)
            inputs.close()


@live
def test_a_channel_that_is_not_there_is_named_with_what_the_device_states():
    """Requirement A5."""
    refused = pytest.raises(AudioError, match="osc: can't be opened with channel number 99")
    with synth(0.0), refused:
        AudioInputs((WantedInput("left", "osc", channel=98),))


@live
def test_ports_shows_the_level_of_each_channel(capsys):
    """Requirement A2: so that the player can see which is which."""
    with synth(0.0, 0.0) as (_, keys):
        keys.send(b"\x91\x45\x64")
        assert main(["ports", "--backend", "jack", "--levels"]) == 0
    shown = capsys.readouterr().out
    assert '  "osc", 48000 Hz' in shown
    lines = [line for line in shown.partition('"osc"')[2].splitlines() if line[:7].strip()]
    assert lines[1].split() == ["1", "to", "2", "silent"]
    assert lines[2].split()[0] == "3" and " good " in lines[2] and "###" in lines[2]
    assert all(len(line) <= 80 for line in shown.splitlines())


@live
@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_device_is_taken_at_its_own_rate(rate_hz):
    """Requirement A4: the device's rate is requested, used, and reported."""
    with (
        JackServer(PERIOD, rate_hz=rate_hz),
        AudioInputs((WantedInput("left", "system"),)) as inputs,
    ):
        assert inputs.rate_hz("left") == rate_hz
        assert len(whole(inputs, ["left"], 0.25)["left"].samples) == rate_hz // 4


def test_numbers_that_change_are_left_out_of_a_cards_name():
    """Requirement A1: PortAudio's names hold ALSA card numbers, which change from boot to boot."""

    class Listed:
        @staticmethod
        def query_hostapis():
            return [{"name": "ALSA"}, {"name": "JACK Audio Connection Kit"}]

        @staticmethod
        def query_devices():
            names = (
                ("Line Box: USB Audio (hw:1,0)", 0, 2),
                ("osc", 1, 4),
                ("speaker", 0, 0),
                ("Loopback: PCM (hw:7,0)", 0, 2),
                ("Loopback: PCM (hw:7,1)", 0, 2),
            )
            return [
                {
                    "name": name,
                    "hostapi": api,
                    "max_input_channels": count,
                    "default_samplerate": 48_000.0,
                }
                for name, api, count in names
            ]

    found = recorder.devices(Listed)
    assert [(one["name"], one["api"], one["identity"][-1]) for one in found[:2]] == [
        ("Line Box: USB Audio", "alsa", "alsa"),
        ("osc", "jack", "jack"),
    ]
    listed = [device(one["index"], one["name"], *one["identity"]) for one in found]
    # Two devices of one card: a driver gives each the same number at every start.
    names = [name_in_rig(one, listed) for one in listed[2:]]
    assert names == ["Loopback: PCM [device 0]", "Loopback: PCM [device 1]"]
    assert find_device(WantedInput("left", names[1]), listed) == listed[3]


def test_two_cards_of_two_devices_each_are_told_apart():
    cards = [
        device(0, "Box: PCM", "usb 1-1", "device 0", "usb 1-1 device 0"),
        device(1, "Box: PCM", "usb 1-1", "device 1", "usb 1-1 device 1"),
        device(2, "Box: PCM", "usb 1-2", "device 0", "usb 1-2 device 0"),
        device(3, "Box: PCM", "usb 1-2", "device 1", "usb 1-2 device 1"),
    ]
    names = [name_in_rig(one, cards) for one in cards]
    assert names[2] == "Box: PCM [usb 1-2 device 0]"
    assert [find_device(WantedInput("left", name), cards) for name in names] == cards
