"""A disk of the kernel's own, on a file: its reads and writes are counted as those of any other."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

SIZE = 8 << 20


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    image = tmp_path / "image"
    image.write_bytes(bytes(SIZE))
    made = subprocess.run(["losetup", "--find", "--show", image], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"no disk can be made of a file here: {made.stderr.strip()}")
    device = Path(made.stdout.strip())
    try:
        yield device
    finally:
        subprocess.run(["losetup", "--detach", device], check=True)
