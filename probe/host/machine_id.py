"""The machine's own id, made so that it tells hosts apart without giving the id itself away."""

import hmac
import re
from uuid import UUID

from probe.host.files import MACHINE_ID
from probe.host.source import Source

APPLICATION = UUID("661396fbc8554ca491b2f910d3cb2877")
"""Our application id: the same machine has another id in every other application."""

_MACHINE_ID = re.compile(r"[0-9a-f]{32}")


def application_specific(machine_id: str) -> str | None:
    """32 hexadecimal digits derived from /etc/machine-id with our application id; None where it holds no id.

    machine-id(5) asks not to show the id itself and gives this way: HMAC-SHA256 of the application id keyed by the
    machine id, its first 16 bytes marked as a UUID of version 4 (sd_id128_get_machine_app_specific(3)). An id may be
    empty or "uninitialized" before the first boot is over, and is never all zeros.
    """
    text = machine_id.strip().lower()
    if _MACHINE_ID.fullmatch(text) is None or not int(text, 16):
        return None
    digest = hmac.digest(bytes.fromhex(text), APPLICATION.bytes, "sha256")
    return UUID(bytes=digest[:16], version=4).hex


def read_machine_id(source: Source) -> str | None:
    """The derived id of the machine that the source was taken from; None where it has none or none was read."""
    if source.origin.machine_id is not None:
        return source.origin.machine_id
    content = source.text(MACHINE_ID)
    return application_specific(content) if isinstance(content, str) else None
