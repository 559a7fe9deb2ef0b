"""What is said in full once a day."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from zerobeat.client.once_a_day import first_today


def test_once_a_day_in_full_whichever_command_asks(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert [first_today("caution") for _ in range(3)] == [True, False, False]
    assert first_today("other")
    code = "from zerobeat.client.once_a_day import first_today; print(first_today('caution'))"
    asked = [sys.executable, "-c", code]
    assert subprocess.run(asked, capture_output=True, text=True).stdout == "False\n"
    (tmp_path / "zerobeat" / "caution-said").write_text("2001-02-03")  # another day
    assert first_today("caution")


def test_where_nothing_can_be_kept_it_is_said_in_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "file"))
    assert first_today("caution") and first_today("caution")
    (tmp_path / "zerobeat").mkdir()
    (tmp_path / "zerobeat" / "caution-said").write_bytes(b"\xff\xfe")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert first_today("caution")
