"""Store as fast as it goes and print each number once it is acknowledged. Runs in the guest."""

from __future__ import annotations

from zerobeat.client.daemon_client import Client

client = Client()
for number in range(1, 9000):
    client.ask("set", voice="v1", changes={"detune_cents": number / 100})
    client.ask("store")
    print(number, flush=True)
