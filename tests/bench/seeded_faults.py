"""How many faults, put into a copy of the engine by hand, random playing finds by its bytes.

Each invariant of the design that bytes can show has at least one; see ``tests/kit/random_playing``.
A fault counts as found if a check fails, or the same playing gives other bytes.

    .venv/bin/python tests/bench/seeded_faults.py [FAULT ...]
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[2]
SEEDS = 6
STEPS = 5_000
LONGEST_S = 300.0


class SeededFault(NamedTuple):
    """A change of one place, and the invariant it breaks."""

    name: str
    invariant: str
    module: str
    old: str
    new: str


FAULTS = (
    SeededFault(
        "note-off worked out anew",
        "1",
        "engine/ledger.py",
        "outputs.append((self.output, NoteOff(self.channel, note)))",
        "outputs.append((self.output, NoteOff(self.channel, self.notes[-1])))",
    ),
    SeededFault(
        "a repeat is not released first",
        "1",
        "engine/ledger.py",
        "if note in self.notes:\n            self.off(note, outputs)",
        "if False:\n            self.off(note, outputs)",
    ),
    SeededFault(
        "a moved voice is not released",
        "1",
        "engine/rig_change.py",
        "state.held.clear()\n            state.lane.release(outputs)\n        added",
        "state.held.clear()\n        added",
    ),
    SeededFault(
        "sustain keeps keys that came up",
        "1",
        "engine/keyboard.py",
        "if not held.down and held.source in places and not self._keeps(held)",
        "if not held.down and held.source in places and self._keeps(held)",
    ),
    SeededFault(
        "keys of a lost input stay",
        "1",
        "engine/port_events.py",
        "self._keyboard.keys_up(places, outputs, cut=True)",
        "pass",
    ),
    SeededFault(
        "drums of a channel no longer passed stay",
        "1",
        "engine/rig_change.py",
        "if moved or (passed and not stays):",
        "if moved:",
    ),
    SeededFault(
        "a returning output is not released",
        "1",
        "engine/port_events.py",
        "lane.up = True\n            lane.release(outputs)",
        "lane.up = True\n            lane.notes.clear()",
    ),
    SeededFault(
        "a lost output is sent to",
        "1",
        "engine/port_events.py",
        "for lane in self._shared.ledger.of_output(name):\n            lane.up = False",
        "pass",
    ),
    SeededFault(
        "note-offs that wait are forgotten as a port closes",
        "1",
        "engine/cable.py",
        "if self.linked:\n            self.lose()\n            self.release_owed(now_s, sent)",
        "self.lose()\n        self.owed.clear()",
    ),
    SeededFault(
        "a late note is dropped without its note-off",
        "1",
        "engine/cable.py",
        "if message.note in channel.dropped:",
        "if False:",
    ),
    SeededFault(
        "the bend comes after its note-on",
        "2",
        "engine/cable.py",
        "self._schedule(_Group(due_s, [*bends, *notes], members))",
        "self._schedule(_Group(due_s, [*notes, *bends], members))",
    ),
    SeededFault(
        "an equal bend is left out after a loss",
        "2",
        "engine/cable.py",
        "self.channels = [_Channel(number) for number in range(16)]\n        self.free_at_s",
        "self.free_at_s",
    ),
    SeededFault(
        "legato without its own bend",
        "2",
        "engine/cable.py",
        "if bend is not None:\n                        self.send(PitchBend(message.channel, bend)",
        "if False:\n                        self.send(PitchBend(message.channel, bend)",
    ),
    SeededFault(
        "order by hash",
        "3",
        "engine/ledger.py",
        "return [lane for _, lane in sorted(self._lanes.items())]",
        "return [self._lanes[key] for key in set(self._lanes)]",
    ),
    SeededFault(
        "a command moves before it is refused",
        "4",
        "engine/measuring_notes.py",
        "        self._check_free(state, command.velocity)\n        return rest",
        "        self._check_free(state, command.velocity)\n"
        "        state.lane.notes.clear()\n        return rest",
    ),
    SeededFault(
        "a run is stopped by a refused command",
        "4",
        "engine/dispatch.py",
        "        handler.check(command)\n        return handler",
        "        handler.act(command, [])\n        handler.check(command)\n        return handler",
    ),
    SeededFault(
        "a passed pedal outlives its binding",
        "4",
        "engine/pedals/pedalboard.py",
        "        self._policy.lift_pedals(outputs, lambda pedal: self._is_bound(*pedal))\n",
        "",
    ),
    SeededFault(
        "a passed pedal is told to the zone of now alone",
        "1",
        "engine/message_policy.py",
        ".difference(told)):",
        ".intersection(told)):",
    ),
    SeededFault(
        "sustain outlives its binding",
        "4",
        "engine/pedals/pedalboard.py",
        "if self._shared.layers.end(gone):",
        "if False:",
    ),
    SeededFault(
        "panic forgets the layers",
        "4",
        "engine/pedals/pedalboard.py",
        "        self._shared.layers.clear()\n",
        "",
    ),
    SeededFault(
        "a momentary setting becomes permanent",
        "4",
        "engine/pedals/pedalboard.py",
        "if not pressed and switch.key not in self._shared.layers.active:",
        "if not pressed:",
    ),
    SeededFault(
        "a bad reload is taken",
        "6",
        "engine/rig_change.py",
        "table.add(commands.Reload, self._reload, self._check_reload)",
        "table.add(commands.Reload, self._reload)",
    ),
    SeededFault(
        "a fault leaves its voice sounding",
        "7",
        "engine/engine.py",
        "if state is not None:\n            self.player.silence(state, outputs)",
        "if False:\n            pass",
    ),
    SeededFault(
        "after a fault other voices keep keys that came up",
        "7",
        "engine/engine.py",
        "if gone:\n                try:",
        "if False:\n                try:",
    ),
    SeededFault(
        "a slow cable's pending strike is sent with the old bend",
        "2",
        "engine/cable.py",
        "channel.last_bend = message.bend\n        elif",
        "channel.last_bend = message.bend if message.bend else None\n        elif",
    ),
    SeededFault(
        "a latch keeps what it kept once it is off",
        "4",
        "engine/keyboard.py",
        "return self._sustains(held.source) or (held.latches and self._shared.layers.latches)",
        "return self._sustains(held.source) or held.latches",
    ),
    SeededFault(
        "the notes of a chord are keys of their own",
        "1",
        "engine/keyboard.py",
        "held.key, held.chord_of = sounding, key",
        "held.key = sounding",
    ),
    SeededFault(
        "a socket's note outlives its input",
        "1",
        "engine/port_events.py",
        "self._extra.source_lost(name, outputs)",
        "pass",
    ),
    SeededFault(
        "a damaged tuning is taken",
        "4",
        "tuning/midi_tuning.py",
        "if found not in (whole, whole ^ _TUNING):",
        "if False:",
    ),
    SeededFault(
        "a glide's last step is left out",
        "2",
        "engine/extra_sockets.py",
        "self.at = max(self.at - reach, min(self.at + reach, float(self.target)))",
        "self.at = max(self.at - reach, min(self.at + reach, float(self.target) - 1.0))",
    ),
    SeededFault(
        "panic leaves passed-through keys",
        "1",
        "engine/port_events.py",
        "        for lane in shared.ledger.all():\n"
        "            lane.holders.clear()\n            lane.release(outputs)",
        "        for state in shared.voices.values():\n            state.lane.release(outputs)",
    ),
)
CHECK = f"""
import hashlib, sys
from kit.random_playing import RandomPlaying
digest = hashlib.sha256()
for seed in range({SEEDS}):
    playing = RandomPlaying(seed, record=True)
    playing.run({STEPS})
    digest.update(repr(playing.raw).encode())
print(digest.hexdigest())
"""


def outcome(package: Path, hash_seed: str = "0") -> tuple[str, str]:
    """Return what random playing says of a copy of the package, and the digest of its bytes."""
    environment = {
        **os.environ,
        "PYTHONPATH": f"{package}:{ROOT / 'tests'}",
        "PYTHONHASHSEED": hash_seed,
    }
    done = subprocess.run(
        [sys.executable, "-c", CHECK],
        env=environment,
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
        check=False,
    )
    if done.returncode == 0:
        return "", done.stdout.strip()
    return done.stderr.strip().splitlines()[-1][:110], ""


def main() -> int:
    wanted = sys.argv[1:]
    missed = 0
    with tempfile.TemporaryDirectory() as folder:
        package = Path(folder)
        whole = ROOT / "daemon/zerobeat"
        shutil.copytree(whole, package / "zerobeat")
        said, right = outcome(package)
        if said or outcome(package, "1")[1] != right:
            print(f"the engine as it is fails: {said or 'other bytes by other hashes'}")
            return 2
        for fault in FAULTS:
            if wanted and not any(word in fault.name for word in wanted):
                continue
            path = package / "zerobeat" / fault.module
            text = path.read_text()
            assert text.count(fault.old) == 1, f"{fault.name}: found {text.count(fault.old)} times"
            path.write_text(text.replace(fault.old, fault.new))
            start_s = time.monotonic()
            said, digest = outcome(package)
            if not said and outcome(package, "1")[1] != digest:
                said = "other bytes by other hashes"
            missed += not said
            print(
                f"{fault.invariant}  {fault.name}: {said or 'NOT FOUND'}"
                f"  ({time.monotonic() - start_s:.1f} s)",
                flush=True,
            )
            path.write_text(text)
    print(f"{missed} not found")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
