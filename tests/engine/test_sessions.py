"""Golden sessions: what a player does, and every message that leaves for it.

``--rewrite-golden`` writes each ``out.txt`` as heard now: read it by eye before
it is kept.
"""

import pytest

from kit.golden_sessions import SESSIONS, play


@pytest.mark.parametrize("source", SESSIONS, ids=lambda path: path.parent.name)
def test_session_sounds_as_before(source, request, tmp_path, monkeypatch):
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))  # nothing that was stored here
    golden = source.with_name("out.txt")
    heard, _ = play(source)
    if request.config.getoption("--rewrite-golden"):
        golden.write_text(heard, encoding="utf-8")
    assert heard.splitlines() == golden.read_text(encoding="utf-8").splitlines()
