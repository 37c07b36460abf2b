"""Taking out of a document what identifies a machine, before it is shown to others.

Serial numbers, host names, boot ids and asset tags are replaced wherever they occur, inside sentences too, by names
that stay the same within a document, so that what belongs together still does.
"""

import re
from collections.abc import Iterable
from typing import Any, TypeVar

import msgspec

from probe.evidence import Host

Document = TypeVar("Document", bound=msgspec.Struct)
_SERIAL = re.compile(r"\b[0-9a-f]{2}(?:-[0-9a-f]{2}){7}\b")
_SECRET_FIRMWARE = ("serial", "asset", "uuid")


def identifying(host: Host) -> list[str]:
    """The strings that identify a machine."""
    found = [host.name, host.boot_id, host.machine_id, host.command_line]
    found += [text for name, text in host.firmware.items() if any(word in name for word in _SECRET_FIRMWARE)]
    return [text for text in found if text]


def redacted(document: Document, secrets: Iterable[str]) -> Document:
    """The same document without `secrets` and without any Device Serial Number."""
    names: dict[str, str] = {}
    longest_first = sorted(set(secrets), key=len, reverse=True)
    plain = {secret: re.compile(rf"(?<!\w){re.escape(secret)}(?!\w)") for secret in longest_first}

    def named(secret: str) -> str:
        return names.setdefault(secret, f"redacted-{len(names) + 1}")

    def clean(value: Any) -> Any:  # noqa: ANN401 - whatever JSON holds
        if isinstance(value, str):
            for secret, pattern in plain.items():
                if pattern.search(value):
                    value = pattern.sub(named(secret), value)
            return _SERIAL.sub(lambda match: named(match[0]), value)
        if isinstance(value, list | tuple):
            return [clean(item) for item in value]
        if isinstance(value, dict):
            return {clean(key): clean(item) for key, item in value.items()}
        return value

    return msgspec.convert(clean(msgspec.to_builtins(document)), type(document))
