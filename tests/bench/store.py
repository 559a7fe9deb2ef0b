"""How long a store takes until it is acknowledged, and what it costs the loop that asks.

    .venv/bin/python tests/bench/store.py [--folder FOLDER] [--stores 200]

Stores a full scene of 16 voices through ``StoreWriter`` on the disk of FOLDER
(default: here) and waits on the descriptor, as the main loop does. Beside it a
bare write and fsync of the same bytes on the same disk: the ratio is zerobeat's
own part. Bound: 95 of 100 stores are acknowledged within 50 ms.
"""

from __future__ import annotations

import argparse
import os
import select
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from zerobeat.config.scene_file import scene_to_yaml
from zerobeat.engine.settings import Scene, VoiceSettings
from zerobeat.state.session import Session, session_to_json
from zerobeat.state.store import Store
from zerobeat.state.store_writer import StoreWriter
from zerobeat.tuning.scale import equal_division

BOUND_MS = 50.0


def scene(number: int) -> Scene:
    settings = VoiceSettings(
        scale=equal_division(19),
        root=50,
        degrees=1,
        octaves=1,
        detune_cents=number / 7,
        wheel="stepped",
        legato=True,
        hold="note",
        priority="lowest",
    )
    return Scene("calm", voices={f"voice {n}": settings for n in range(16)})


def ms(act: Callable[[], object]) -> float:
    start_s = time.perf_counter()
    act()
    return (time.perf_counter() - start_s) * 1e3


def line(name: str, taken_ms: list[float]) -> float:
    """Print a line of figures; return the 95th percentile."""
    ordered = sorted(taken_ms)
    p95 = ordered[int(0.95 * (len(ordered) - 1))]
    print(
        f"{name:34s} median {statistics.median(ordered):7.3f} ms   p95 {p95:7.3f}   "
        f"most {ordered[-1]:7.3f}"
    )
    return p95


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--folder", type=Path, default=Path(__file__).resolve().parents[2])
    parser.add_argument("--stores", type=int, default=200)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix=".bench", dir=asked.folder) as folder:
        writer = StoreWriter(Store(Path(folder) / "state"))

        def acknowledged() -> None:
            select.select([writer.fileno()], [], [], 60.0)
            (done,) = writer.take()
            assert done.error == "", done.error

        formats, asks, whole, sessions, bare = [], [], [], [], []
        for number in range(asked.stores):
            texts: list[str] = []
            formats.append(ms(lambda: texts.append(scene_to_yaml(scene(number)))))
            asks.append(ms(lambda: writer.save("scenes", "calm", texts[0])))
            whole.append(asks[-1] + ms(acknowledged))
            content = session_to_json(Session(live=scene(number)))
            sessions.append(ms(lambda: (writer.save_session(content), acknowledged())))
            bare.append(ms(lambda: write_and_sync(Path(folder) / "bare", texts[0].encode())))
        writer.stop()
    line("scene to text, on the loop", formats)
    line("handed over, on the loop", asks)
    p95 = line("scene, until acknowledged", whole)
    line("session, until acknowledged", sessions)
    line("bare write and fsync", bare)
    print(f"scene / bare: {statistics.median(whole) / statistics.median(bare):.1f}")
    good = p95 <= BOUND_MS
    print(f"{'pass' if good else 'FAIL'} p95 {p95:.1f} ms, bound {BOUND_MS:g} ms")
    return 0 if good else 1


def write_and_sync(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


if __name__ == "__main__":
    sys.exit(main())
