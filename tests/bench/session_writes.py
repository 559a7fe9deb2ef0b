"""What a night of pedals writes to a card: bytes that reach it, by the block device's own count.

    .venv/bin/python tests/bench/session_writes.py [--hours 3]

As root, because it mounts an ext4 file system of its own. Writes the session of 16 voices, all
unsaved, as ``SessionWriter`` does: once for each press and command, and once for each pedal that
rests. A night here is a recall every 45 s, four presses and six moves of a pedal a minute.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

from store import scene

from zerobeat.engine.settings import Tonight
from zerobeat.state.session import Session, session_to_json
from zerobeat.state.store import Store

WRITES = 300  # measured; the night is so many times them
SECTOR_BYTES = 512  # of /sys/block/*/stat, whatever the device
A_MINUTE = 60 / 45 + 4 + 6


def sectors(device: str) -> int:
    os.sync()
    return int(Path(f"/sys/block/{device}/stat").read_text().split()[6])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=3.0)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as folder:
        image, disk = Path(folder) / "image", Path(folder) / "disk"
        disk.mkdir()
        image.write_bytes(b"")
        os.truncate(image, 64_000_000)
        subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
        subprocess.run(["mount", "-o", "loop", str(image), str(disk)], check=True)
        try:
            source = subprocess.check_output(["findmnt", "-n", "-o", "SOURCE", str(disk)])
            device = Path(source.decode().strip()).name
            store = Store(disk / "state")
            session = Session(Tonight(), "calm", "note", scene(0))
            store.save_session(session_to_json(session))
            before = sectors(device)
            for number in range(WRITES):
                session = replace(session, tonight=Tonight(transpose_semitones=number % 12))
                content = session_to_json(session)
                store.save_session(content)
            each = (sectors(device) - before) * SECTOR_BYTES / WRITES
        finally:
            subprocess.run(["umount", str(disk)], check=True)
    count = round(A_MINUTE * 60 * hours)
    print(f"session.json: {len(content):,} bytes; each write {each / 1000:.0f} kB on the device")
    print(f"{hours:g} h: {count:,} writes, {count * each / 1e6:.0f} MB")
    paced = round(3600 * hours / 2)
    print(f"a pedal that never rests: {paced:,} writes, {paced * each / 1e6:.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
