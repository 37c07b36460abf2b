"""A tar of a host's files as the snapshot that it stands for: whatever takes a snapshot takes such a tar."""

from probe.audit.snapshot import Snapshot, take
from probe.host.machine import read_machine
from probe.host.opening import tar_source

_MAGIC, _MAGIC_AT = b"ustar", 257
"""POSIX.1, pax: ustar interchange format; the older GNU format begins alike."""


def is_tar(data: bytes) -> bool:
    """Whether these bytes begin as a tar does."""
    return data[_MAGIC_AT : _MAGIC_AT + len(_MAGIC)] == _MAGIC


def captured(data: bytes, name: str) -> Snapshot | None:
    """The snapshot in the bytes of a tar; None where they are no tar. Raises InputError."""
    if not is_tar(data):
        return None
    return take(read_machine(tar_source(data, name)))
