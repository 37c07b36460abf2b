"""A short search at every run: all kept inputs, then some changed ones, the same each time. `run.py` searches on."""

import gzip
import resource
import zlib
from pathlib import Path
from random import Random

import pytest

from tests.fuzz.targets import TARGETS, Target

CHANGED = 25
"""So many changed inputs for each reader."""
KEPT = [
    pytest.param(target, path, id=f"{name} {path.name}") for name, target in TARGETS.items() for path in target.kept
]


@pytest.mark.parametrize(("target", "path"), KEPT)
def test_kept_inputs(target: Target, path: Path) -> None:
    target.tried(path.read_bytes())


@pytest.mark.parametrize("name", TARGETS)
def test_changed_inputs(name: str) -> None:
    target, chance = TARGETS[name], Random(zlib.crc32(name.encode()))
    inputs = [path.read_bytes() for path in target.kept]
    for _ in range(CHANGED):
        data = target.change(chance.choice(inputs), chance)[: target.most_bytes]
        inputs.append(data)
        try:
            target.tried(data)
        except Exception as error:
            error.add_note(f"gzip, hexadecimal: {gzip.compress(data, mtime=0).hex()}")
            raise
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2 << 20  # KiB
