"""What the audio libraries print does not get into the sound (requirement A6)."""

import time

import pytest

from zerobeat.errors import AudioError
from zerobeat.measure.audio.devices import list_devices

pytest.importorskip("sounddevice")

# libjack says what it has to say on the file descriptor of the standard output.
TALKS = """
import ctypes, sys
class Talking:
    def find_spec(self, name, path=None, target=None):
        if name == "sounddevice":
            ctypes.CDLL(None).write(1, b"a library speaks\\n", 17)
sys.meta_path.insert(0, Talking())
"""


def test_a_library_may_print_while_devices_are_listed(tmp_path, monkeypatch):
    (tmp_path / "sitecustomize.py").write_text(TALKS)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path), prepend=":")
    assert isinstance(list_devices(), list | tuple)


def test_what_is_being_opened_is_given_up_at_once(tmp_path, monkeypatch):
    """Another program waits for the card while a slow sound server is being asked."""
    (tmp_path / "sitecustomize.py").write_text("import time; time.sleep(9)")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path), prepend=":")
    begun_s = time.monotonic()
    with pytest.raises(AudioError, match="given up"):
        list_devices(give_up=lambda: time.monotonic() - begun_s > 0.2)
    assert time.monotonic() - begun_s < 2.0
