"""A shorter journal in the making: a process of its own writes it, so that no sample is late for it."""

import os
import subprocess
from pathlib import Path

import msgspec

from probe.documents.writing import sync_directory, write_all
from probe.host.own_process import own_process
from probe.soak.thinning import Sizes

_CHUNK = 1 << 20


class Shorter:
    """Of a journal's first `size` bytes; what is appended meanwhile is added when it is made."""

    def __init__(self, path: Path, size: int, sizes: Sizes) -> None:
        self._path = path
        self._size = size
        self._made = path.with_name(f".{path.name}.shorter")
        arguments = (str(path), str(self._made), str(size), msgspec.json.encode(sizes).decode())
        self._process = subprocess.Popen(  # noqa: S603 - this program itself
            own_process("probe.soak.thinner", *arguments),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, process_group=0,
        )  # fmt: skip

    @property
    def is_over(self) -> bool:
        """It is made, or could not be."""
        return self._process.poll() is not None

    def take_its_place(self, descriptor: int, end: int) -> tuple[int, int] | None:
        """Put the shorter journal in the place of the one that is open and `end` bytes long.

        A descriptor of it and its length; None where there is no room for it, and the journal goes on as it is.
        """
        new = -1
        try:
            if self._process.returncode:
                return None
            new = os.open(self._made, os.O_WRONLY | os.O_APPEND | os.O_CLOEXEC)
            os.fchmod(new, os.fstat(descriptor).st_mode)
            self._append_what_came(new, end)
            os.fsync(new)
            self._made.rename(self._path)
            sync_directory(self._path.parent)
        except OSError:
            if new >= 0:
                os.close(new)
            return None
        else:
            os.close(descriptor)
            return new, os.fstat(new).st_size
        finally:
            self._made.unlink(missing_ok=True)

    def _append_what_came(self, new: int, end: int) -> None:
        source = os.open(self._path, os.O_RDONLY | os.O_CLOEXEC)
        try:
            at = self._size
            while at < end:
                data = os.pread(source, min(_CHUNK, end - at), at)
                write_all(new, data)
                at += len(data)
        finally:
            os.close(source)

    def give_up(self) -> None:
        """Nobody wants it any more."""
        self._process.kill()
        self._process.wait()
        self._made.unlink(missing_ok=True)
