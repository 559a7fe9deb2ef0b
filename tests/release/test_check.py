"""release/check refuses what it does not know."""

from __future__ import annotations

import subprocess

from release.targets import ROOT


def test_an_unknown_step_is_refused_with_those_that_are():
    done = subprocess.run([ROOT / "release/check", "luck"], capture_output=True, text=True)
    assert done.returncode == 1
    assert done.stderr == (
        "error: step: found luck; allowed: tree, tests, files, installs, machine\n"
    )
