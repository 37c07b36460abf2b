"""Which block device a person means, and what may not be written to."""

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from probe.evidence import Unread
from probe.exceptions import InputError
from probe.host.block_devices import parts_of, serial_of, size_of
from probe.host.signatures import Signature, signatures
from probe.loads.interface import Options


def refuse_unless_named(path: Path, options: Options) -> None:
    """Refuse to write to a raw device unless it was named and nothing would be lost. Raises InputError.

    Named is its serial number, and every signature that is on it. Opening with O_EXCL fails for a device that is
    mounted, holds swap, or is part of another.
    """
    serial = serial_of(path)
    if options.raw_serial is None or serial is None or options.raw_serial != serial:
        what = f"is a raw device, and the data on it would be overwritten (serial number {serial or 'not known'})"
        remedy = "back up, then repeat the serial number with --raw, or name a scratch file on a file system of it"
        raise InputError(what, where=str(path), remedy=remedy)
    parts = parts_of(path)
    if parts:
        what = f"holds partitions or is a part of another device ({', '.join(parts)})"
        raise InputError(what, where=str(path), remedy="name one that holds nothing")
    _refuse_in_use(path)
    _refuse_signatures(path, signatures(path), options.overwritten_signatures)
    size = size_of(path)
    if options.size > size:
        raise InputError(
            f"is larger than {path}, which has {size} bytes", where=f"--size {options.size}", remedy="give less"
        )


def _refuse_in_use(path: Path) -> None:
    try:
        os.close(os.open(path, os.O_RDWR | os.O_EXCL | os.O_CLOEXEC))
    except OSError as error:
        what = f"is in use ({error.strerror})"
        raise InputError(what, where=str(path), remedy="name one that nothing uses") from error


def _refuse_signatures(path: Path, found: Sequence[Signature] | Unread, allowed: Iterable[str]) -> None:
    if isinstance(found, Unread):
        what = f"what is on it could not be asked ({found.detail}), so nothing is written"
        raise InputError(what, where=str(path), remedy="install util-linux and run as root")
    names = {item.name for item in found}
    odd = [name for name in allowed if name not in names]
    if odd:
        what = f"is not on {path}, which holds {_listed(found) or 'no signature'}"
        raise InputError(what, where=f"--overwrite-signature {odd[0]}", remedy="name what is there")
    kept = [item for item in found if item.name not in set(allowed)]
    if kept:
        words = " ".join(f"--overwrite-signature {name}" for name in dict.fromkeys(item.name for item in kept))
        what = f"holds data of somebody's: {_listed(kept)}"
        raise InputError(what, where=str(path), remedy=f"back up, then say {words}, or name another device")


def _listed(found: Iterable[Signature]) -> str:
    return ", ".join(
        f"{item.name}{f' labelled {item.label!r}' if item.label else ''} at byte {int(item.offset, 16)}"
        for item in found
    )
