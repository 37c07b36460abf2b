"""Names put in the place of what identifies a machine, before a document of it is shown to others.

Serial numbers, host names, addresses of networks, asset tags, ids and the kernel's command line are replaced wherever
they stand, in sentences and log lines too. The names are keyed: with the same key the same thing has the same name in
every document, so that what belongs together still does; without the key nothing leads back. A Device Serial Number is
replaced by one, in configuration space as well, so that components can still be told apart and followed.

May live here: what identifies, and what it is replaced by. May not: keeping the key (`redaction_key`).
"""

import base64
import hmac
import ipaddress
import re
from collections.abc import Iterable, Iterator
from typing import TypeVar

import msgspec

from probe.evidence import FunctionEvidence, Host
from probe.foreign_text import plain
from probe.kernel_spellings import NUMBER_FILES, SERIAL_NUMBER
from probe.links.component import serial_number
from probe.links.function import FunctionFacts
from probe.placeholders import is_stated
from probe.registers.function import SerialNumberLower, SerialNumberUpper

Value = TypeVar("Value")

_SERIAL = re.compile(r"(?<![\w-])[0-9a-f]{2}(?:-[0-9a-f]{2}){7}(?![\w-])", re.IGNORECASE)
_OF_A_MACHINE = ("serial", "asset", "uuid")
_STEERS_PCI = re.compile(r"pci(?:e_\w+)?=\S+")
_IN_FREE_TEXT = re.compile(
    r"(?<![\w:-])(?:[0-9a-f]{2}([:-])(?:[0-9a-f]{2}\1){4}[0-9a-f]{2}"  # IEEE 802, 48 bits
    r"|[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}"  # RFC 9562
    r"|[0-9a-f]{32}"  # machine-id(5), without dashes
    r"|(?:\d{1,3}\.){3}\d{1,3}"
    r"|[0-9a-f:]*:[0-9a-f:]*:[0-9a-f:.]*)(?![\w:-])",
    re.IGNORECASE,
)
_LETTERS = 12
_LEAST_LETTERS = 4  # of a string of the firmware that is looked for in sentences


class Pseudonyms:
    """The names by one key. What a document says identifies its machine is learnt, and replaced from then on."""

    def __init__(self, key: bytes) -> None:
        self._key = key
        self._secrets: set[str] = set()
        self._pattern: re.Pattern[str] | None = None

    def of(self, text: str) -> str:
        """The name that stands for a text; letters' case makes no other thing of it."""
        digest = self._digest(text.casefold().encode())
        return f"redacted-{base64.b32encode(digest).decode().lower()[:_LETTERS]}"

    def serial(self, text: str) -> str:
        """The Device Serial Number that stands for one; all zeros and all ones are none, and stay."""
        number = bytes.fromhex(text.replace("-", ""))
        return text if set(number) <= {0} or set(number) <= {0xFF} else self._digest(number)[:8].hex("-")

    def _digest(self, data: bytes) -> bytes:
        return hmac.digest(self._key, data, "sha256")

    def clean(self, value: Value) -> Value:
        """A document, or any part of one, without what identifies a machine."""
        self.learn(value)
        return self._cleaned(value)

    def learn(self, value: object) -> None:
        """Note what a document says identifies its machine."""
        self.learn_words(_secrets_in(value))

    def learn_words(self, words: Iterable[str]) -> None:
        """Note texts that identify a machine or whose it is."""
        found = {word for word in words if word} - self._secrets
        if found:
            self._secrets |= found | {plain(secret) for secret in found}
            longest_first = sorted(self._secrets, key=len, reverse=True)
            any_of_them = "|".join(re.escape(secret) for secret in longest_first)
            self._pattern = re.compile(rf"(?<!\w)(?:{any_of_them})(?!\w)", re.IGNORECASE)

    def text(self, text: str) -> str:
        """A text with each of these replaced."""
        if self._pattern is not None:
            text = self._pattern.sub(lambda match: self.of(match[0]), text)
        text = _SERIAL.sub(lambda match: self.serial(match[0]), text)
        return _IN_FREE_TEXT.sub(self._of_a_network, text)

    def _of_a_network(self, match: re.Match[str]) -> str:
        found = match[0]
        if match[1] is None and "-" not in found and not found.isalnum():
            try:
                ipaddress.ip_address(found)
            except ValueError:
                return found
        return self.of(found)

    def _cleaned(self, value: Value) -> Value:
        kind = type(value)
        changed: object = value
        if isinstance(value, str):
            changed = self.text(value) if kind is str else value  # a word of ours is an enumeration's
        elif isinstance(value, Host):
            changed = self._host(value)
        elif isinstance(value, FunctionEvidence):
            changed = self._function(value)
        elif isinstance(value, msgspec.Struct):
            changed = self._struct(value)
        elif isinstance(value, tuple | list | frozenset):
            items = map(self._cleaned, value)
            changed = kind(*items) if hasattr(value, "_fields") else kind(items)  # type: ignore[call-arg] # a named tuple
        elif isinstance(value, dict):
            changed = {self._cleaned(key): self._cleaned(item) for key, item in value.items()}
        return changed  # type: ignore[return-value] # of the same kind

    def _struct(self, value: msgspec.Struct) -> msgspec.Struct:
        fields = {name: self._cleaned(getattr(value, name)) for name in value.__struct_fields__}
        return msgspec.structs.replace(value, **fields)

    def _host(self, host: Host) -> Host:
        words = [] if host.command_line is None else _STEERS_PCI.findall(host.command_line)
        firmware = {
            name: self.of(text) if _of_a_machine(name) and is_stated(text) else self.text(text)
            for name, text in host.firmware.items()
        }
        return msgspec.structs.replace(
            host,
            source=host.source if host.source == "live" else "a copy",
            name=None if host.name is None else self.of(host.name),
            machine_id=None if host.machine_id is None else self.of(host.machine_id),
            boot_id=None if host.boot_id is None else self.of(host.boot_id),
            command_line=None if host.command_line is None else " ".join((*words, self.of(host.command_line))),
            firmware=firmware,
            redacted=True,
        )

    def _function(self, item: FunctionEvidence) -> FunctionEvidence:
        attributes = {name: text if name in NUMBER_FILES else self.text(text) for name, text in item.attributes.items()}
        return msgspec.structs.replace(
            item,
            attributes=attributes,
            config=self._config(item),
            place_names=self._cleaned(item.place_names),
            unread=self._cleaned(item.unread),
        )

    def _config(self, item: FunctionEvidence) -> dict[str, str]:
        """Configuration space with another Device Serial Number, also where half of one was read."""
        facts = FunctionFacts(item)
        serial = item.attributes.get(SERIAL_NUMBER) or serial_number(facts) or ""
        named = bytes.fromhex(self.serial(serial).replace("-", "")) if _SERIAL.fullmatch(serial) else None
        config = dict(item.config)
        for number, register in enumerate((SerialNumberUpper, SerialNumberLower)):
            half, at = facts.space.register(register), facts.space.offset_of(register)
            if half is not None and at is not None:
                data = named[4 * number : 4 * number + 4] if named else self._digest(half.to_bytes(4, "big"))[:4]
                _overwrite(config, at, data[::-1])
        return config


def _overwrite(config: dict[str, str], at: int, data: bytes) -> None:
    for start, text in config.items():
        skip = (at - int(start, 16)) * 2
        if 0 <= skip < len(text):
            config[start] = f"{text[:skip]}{data.hex()}{text[skip + 2 * len(data) :]}"


def _secrets_in(value: object) -> Iterator[str]:
    """What any part of a document says identifies its machine; a comparison has no more of the host than its name."""
    if isinstance(value, Host):
        yield from _identifying(value)
    elif isinstance(value, msgspec.Struct) and not isinstance(value, FunctionEvidence):
        for name in value.__struct_fields__:
            part = getattr(value, name)
            yield from _names(part) if name == "host" and isinstance(part, str) else _secrets_in(part)
    elif isinstance(value, tuple | list):
        for item in value:
            yield from _secrets_in(item)


def _names(host: str) -> Iterator[str]:
    """A host's whole name, its first part and its domain."""
    first, _, domain = host.partition(".")
    yield from (part for part in (host, first, domain) if part)


def _identifying(host: Host) -> Iterator[str]:
    """What identifies a machine; ids also without their dashes."""
    yield from _names(host.name or "")
    for text in (host.boot_id, host.machine_id):
        if text:
            yield from (text, text.replace("-", ""))
    if host.command_line:
        yield host.command_line
    for name, text in host.firmware.items():
        if _of_a_machine(name) and is_stated(text) and len(text) >= _LEAST_LETTERS:
            yield text


def _of_a_machine(name: str) -> bool:
    return any(word in name for word in _OF_A_MACHINE)
