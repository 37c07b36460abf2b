"""What is on a block device, by the marks that file systems, volumes and partition tables leave. Read by wipefs(8).

util-linux knows some hundred formats and keeps up with them; it is on every distribution. Only its listing is asked
for, which opens the device for reading.
"""

import os
import shutil
import subprocess
from collections.abc import Sequence
from pathlib import Path

import msgspec

from probe.evidence import Unread, Why

_PROGRAM = "wipefs"
_PLACES = f"{os.defpath}:/usr/sbin:/sbin"
_PATIENCE_S = 60.0


class Signature(msgspec.Struct, frozen=True, kw_only=True):
    """One mark: the name of its format as libblkid spells it (`ext4`, `gpt`, `LVM2_member`), and at which byte."""

    name: str = msgspec.field(name="type")
    offset: str
    label: str | None = None


class _Listing(msgspec.Struct, frozen=True):
    signatures: tuple[Signature, ...] = ()


def signatures(path: Path) -> Sequence[Signature] | Unread:
    """Every mark on a device; what could not be asked is no empty device."""
    program = shutil.which(_PROGRAM, path=f"{os.environ.get('PATH', '')}:{_PLACES}")
    if program is None:
        return Unread(str(path), Why.ABSENT, f"{_PROGRAM} of util-linux is not installed")
    try:
        done = subprocess.run(  # noqa: S603 - a program of the system, and a path that is no option
            [program, "--json", str(path.absolute())],
            capture_output=True, timeout=_PATIENCE_S, check=False, env={"LC_ALL": "C"},
        )  # fmt: skip
        if done.returncode:
            return Unread(str(path), Why.FAILED, done.stderr.decode("utf-8", "replace").strip())
        return msgspec.json.decode(done.stdout or b"{}", type=_Listing).signatures
    except (OSError, subprocess.TimeoutExpired, msgspec.MsgspecError) as error:
        return Unread(str(path), Why.FAILED, f"{_PROGRAM}: {error}")
