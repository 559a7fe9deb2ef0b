"""Built files, and bare Debian systems without a network to install them into."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import mido
import pytest

from kit.released import HERE, build, song
from release.root import DebianRoot, lacks
from release.targets import TARGETS, Target


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a built version and a song: ZEROBEAT_DIST, or made here.

    A version already in ZEROBEAT_DIST is taken as it is, as release/check does.
    """
    told = os.environ.get("ZEROBEAT_DIST")
    folder = Path(told) if told else build(tmp_path_factory.mktemp("dist") / "built")
    song(folder / "song.mid")
    return folder


@pytest.fixture(params=TARGETS, ids=lambda target: target.name)
def target(request: pytest.FixtureRequest) -> Target:
    """Each target that was built; others than this machine's only with ZEROBEAT_DIST."""
    chosen: Target = request.param
    if chosen.machine != HERE and "ZEROBEAT_DIST" not in os.environ:
        pytest.skip(f"made for {chosen.machine}; ZEROBEAT_DIST names a folder with all targets")
    if why := lacks(chosen):
        pytest.skip(why)
    return chosen


@pytest.fixture
def box(target: Target, built: Path, tmp_path: Path) -> DebianRoot:
    """A bare system of the target, with the built files in /mnt and no network."""
    return DebianRoot(target, tmp_path / "box", built)


@pytest.fixture
def corrected(box: DebianRoot, built: Path) -> Callable[[], None]:
    """Assert that the installed program plays: a song through a measured case."""

    def check() -> None:
        box.do("cd ~ && rm -rf demo out.mid && zerobeat demo --out demo")
        rig = "$(find / -path '*profiles/rigs/small-case.yaml' -not -path '/proc/*' | head -n 1)"
        box.do(f'cd ~ && zerobeat render --rig "{rig}" /mnt/song.mid out.mid')
        box.do("cp ~/out.mid /mnt/out.mid")
        heard = [m for track in mido.MidiFile(built / "out.mid").tracks for m in track]
        kinds = [m.type for m in heard]
        first = kinds.index("note_on")
        bends = [m.pitch for m in heard[:first] if m.type == "pitchwheel"]
        assert any(bends), "the first note was not corrected"
        assert kinds.count("note_on") == kinds.count("note_off") > 2

    return check
