"""The process that thins a journal while the soak goes on: what it has written so far into another file.

Started by `writing.py`, never by a person, with the names of both, how many bytes to read, and the sizes.
"""

import os
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import msgspec

from probe.soak.reading import Recorded
from probe.soak.thinning import Sizes, thinned

_ENCODER = msgspec.json.Encoder()
_POLITE = 10
"""Added to the niceness: samples and loads come first."""


def main() -> None:
    """Write the thinned journal and have it on the disk."""
    source, target, size, sizes = sys.argv[1:]
    os.nice(_POLITE)
    recorded = Recorded(lambda: _first(Path(source), int(size)), source)
    with Path(target).open("wb") as file:
        file.writelines(
            _ENCODER.encode(entry) + b"\n" for entry in thinned(recorded, msgspec.json.decode(sizes, type=Sizes))
        )
        file.flush()
        os.fsync(file.fileno())


@contextmanager
def _first(path: Path, size: int) -> Iterator[Iterable[bytes]]:
    """The lines of the first so many bytes, which end with a line."""
    with path.open("rb") as file:
        yield _until(file, size)


def _until(lines: Iterable[bytes], size: int) -> Iterator[bytes]:
    for line in lines:
        size -= len(line)
        if size < 0:
            return
        yield line


if __name__ == "__main__":
    main()
