"""A foot asks the service manager for a touch-up by a file, and nobody in a terminal."""

from pathlib import Path

from zerobeat.ports.touchup_request import WANTED, ask_for_touch_up

UNITS = Path(__file__).resolve().parents[2] / "systemd"


def test_a_service_makes_the_file_that_the_unit_waits_for(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path))
    assert ask_for_touch_up() and (tmp_path / WANTED).exists()
    assert ask_for_touch_up()  # pressed again before it was taken
    assert f"PathExists=/run/zerobeat/{WANTED}" in (UNITS / "zerobeat-touchup.path").read_text()


def test_in_a_terminal_or_without_the_folder_nothing_happens(tmp_path, monkeypatch):
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    assert not ask_for_touch_up()
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "gone"))
    assert not ask_for_touch_up()
