"""Which block device a person means, and what may not be written to."""

import os
from pathlib import Path

from probe.exceptions import InputError
from probe.host.block_devices import holds_others, serial_of


def refuse_unless_named(path: Path, raw_serial: str | None) -> None:
    """Refuse to write to a raw device unless its serial number was repeated and nothing uses it. Raises InputError.

    Opening with O_EXCL fails for a device that is mounted, holds swap, or is part of another.
    """
    serial = serial_of(path)
    if raw_serial is None or serial is None or raw_serial != serial:
        what = f"is a raw device, and all its data would be overwritten (serial number {serial or 'not known'})"
        remedy = "back up, then repeat the serial number with --raw, or name a scratch file on a file system of it"
        raise InputError(what, where=str(path), remedy=remedy)
    if holds_others(path):
        what = "holds partitions or is a part of another device"
        raise InputError(what, where=str(path), remedy="name one that holds nothing")
    try:
        os.close(os.open(path, os.O_RDWR | os.O_EXCL))
    except OSError as error:
        what = f"is in use ({error.strerror})"
        raise InputError(what, where=str(path), remedy="name one that nothing uses") from error
