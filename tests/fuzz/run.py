# Whatever the bytes, decode() gives facts or None. It raises nothing, and it always ends.
"""Feeds random and damaged config spaces, whole, cut short and in pieces. `python tests/fuzz/run.py [SECONDS]`."""

import random
import sys
import time

from fake_sysfs.demonstration import correlator
from probe.audit.decoding import decoded_space
from probe.registers.space import ConfigSpace


def _damaged(seeds: list[bytes], chance: random.Random) -> ConfigSpace:
    data = bytearray(chance.choice(seeds))
    for _ in range(chance.randint(0, 40)):
        data[chance.randrange(len(data))] = chance.randrange(256)
    whole = ConfigSpace.from_bytes(bytes(data[: chance.choice((len(data), chance.randrange(len(data) + 1)))]))
    if chance.random() < 0.3:
        return ConfigSpace({at: word for at, word in whole.words.items() if chance.random() < 0.7})
    return whole


def main() -> None:
    """Run for a time and print how many were decoded."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 10.0
    seeds = [data for path, data in correlator().build().files.items() if path.endswith("/config")]
    seeds.append(random.Random(0).randbytes(4096))
    chance = random.Random(time.time_ns())
    until, count = time.monotonic() + seconds, 0
    while time.monotonic() < until:
        decoded_space(_damaged(seeds, chance), "fuzz")
        count += 1
    print(f"decoded {count} damaged config spaces, none raised")


if __name__ == "__main__":
    main()
