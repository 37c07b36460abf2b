"""The model served as files by FUSE, so that a program opens, reads and writes it as it does a real /sys.

`config` answers pread and pwrite with the very offsets and lengths (direct I/O). Needs `fusermount3` (Debian `fuse3`)
and `/dev/fuse`, not root. Run as a program: python -m fake_sysfs.hardware.mounted MODULE:FUNCTION DIR [MISTAKES.json],
where the function makes a model on the clock that it is given; what its client did wrong is written when the tree is
unmounted.
"""

import errno
import json
import posixpath
import stat
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import Any

import mfusepy

from fake_sysfs.hardware.clock import FakeClock
from fake_sysfs.hardware.model import HardwareModel

_WRITABLE = frozenset({"config", "control", "reset", "reset_subordinate", "reset_method", "power", "cur_state"})


class RealClock(FakeClock):
    """The time of the machine that serves the model: waiting really takes time."""

    def now(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def pass_by(self, seconds: float) -> None:
        """A look takes the time that it takes."""


class MountedModel(mfusepy.Operations):
    """File operations on a model. One at a time, but a write that takes long lets others through."""

    use_ns = True

    def __init__(self, model: HardwareModel) -> None:
        self._model = model
        self._lock = threading.Lock()
        self._children: dict[str, set[str]] = defaultdict(set)
        for path in (*model.paths(), *model.tree.links):
            names = path.split("/")
            for depth, name in enumerate(names):
                self._children["/".join(names[:depth])].add(name)
        self._files = set(model.paths())

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:  # noqa: ARG002 - FUSE's
        """Kind, size and rights of a file."""
        place = path.strip("/")
        if place in self._model.tree.links:
            return {"st_mode": stat.S_IFLNK | 0o777, "st_nlink": 1, "st_size": len(self._model.tree.links[place])}
        if place in self._files:
            size = 4096
            mode = 0o644 if posixpath.basename(place) in _WRITABLE or "/link/" in place else 0o444
            return {"st_mode": stat.S_IFREG | mode, "st_nlink": 1, "st_size": size}
        if place in self._children or not place:
            return {"st_mode": stat.S_IFDIR | 0o755, "st_nlink": 2}
        raise mfusepy.FuseOSError(errno.ENOENT)

    def readdir(self, path: str, fh: int) -> Sequence[str]:  # noqa: ARG002 - FUSE's
        """The names in a directory."""
        return [".", "..", *sorted(self._children[path.strip("/")])]

    def readlink(self, path: str) -> str:
        """Where a link leads."""
        return self._model.tree.links[path.strip("/")]

    def open(self, path: str, flags: int) -> int:  # noqa: ARG002 - FUSE's
        """Nothing to open."""
        return 0

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:  # noqa: ARG002 - FUSE's
        """As sysfs: nothing."""
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:  # noqa: ARG002 - FUSE's
        """Exactly these bytes."""
        place = path.strip("/")
        with self._lock:
            address = self._function(place)
            if address is not None:
                return self._model.read_config(address, offset, size) or b""
            data = self._model.content(place)
        return data[offset : offset + size]

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:  # noqa: ARG002 - FUSE's
        """Take a write; one that the kernel takes long over ends when it would."""
        place = path.strip("/")
        address = self._function(place)
        with self._lock:
            if address is not None:
                self._model.write_config(address, offset, data)
                return len(data)
            error, seconds = self._model.write_text(place, data.decode())
        time.sleep(seconds)
        if error:
            raise mfusepy.FuseOSError(error)
        return len(data)

    def _function(self, place: str) -> str | None:
        """The function whose configuration space a path is."""
        directory, _, name = place.rpartition("/")
        address = posixpath.basename(directory)
        return address if name == "config" and address in self._model.spaces else None


def mount(model: HardwareModel, where: Path) -> None:
    """Serve a model at a directory until it is unmounted."""
    mfusepy.FUSE(MountedModel(model), str(where), foreground=True, direct_io=True)


def main(arguments: Sequence[str]) -> None:
    """Serve the model that a function makes, then write what its client did wrong."""
    module, _, function = arguments[0].partition(":")
    model: HardwareModel = getattr(import_module(module), function)(RealClock())
    mount(model, Path(arguments[1]))
    if len(arguments) > 2:  # noqa: PLR2004 - a file to write was named
        found = [asdict(mistake) for mistake in (*model.mistakes, *model.left_behind())]
        Path(arguments[2]).write_text(json.dumps(found))


if __name__ == "__main__":
    main(sys.argv[1:])
