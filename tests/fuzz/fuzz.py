"""Coverage-guided fuzzing of all that comes from outside (atheris, extra ``fuzz``).

    pip install 'zerobeat[fuzz]'
    python tests/fuzz/fuzz.py TARGET [-max_total_time=600 ...] [CORPUS]

New inputs go into CORPUS, by default a folder in the temporary directory; ``corpus/TARGET``
has a few to begin with, and every case that was found once. ``test_corpus.py`` runs these
without atheris.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1] / "daemon")]

with atheris.instrument_imports(include=["zerobeat"]):
    from targets import TARGETS


def main() -> None:
    if len(sys.argv) < 2 or sys.argv[1] not in TARGETS:
        sys.exit(f"usage: fuzz.py {'|'.join(TARGETS)} [libFuzzer's options] [CORPUS]")
    name = sys.argv.pop(1)
    if all(word.startswith("-") for word in sys.argv[1:]):
        folder = Path(tempfile.gettempdir(), f"zerobeat-fuzz-{name}")
        folder.mkdir(exist_ok=True)
        sys.argv.append(str(folder))
    own = HERE / "corpus" / name
    if own.is_dir():
        sys.argv.append(str(own))
    atheris.Setup(sys.argv, TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
