"""What vendors and devices are called: the udev hardware database, else the `pci.ids` file, else nothing."""

import re
from collections.abc import Sequence

from msgspec.structs import replace

from probe.evidence import FunctionEvidence, Names, Unread
from probe.host.source import DirectorySource, Source
from probe.kernel_spellings import CLASS, DEVICE, VENDOR
from probe.registers.header import DeviceId, VendorId

PCI_IDS_FILES = ("usr/share/misc/pci.ids", "usr/share/hwdata/pci.ids")
_IDS_LIMIT = 8 << 20
_SECTION = re.compile(rb"^(?:C )?[0-9a-f]", re.MULTILINE)


def named(functions: Sequence[FunctionEvidence], source: Source) -> tuple[FunctionEvidence, ...]:
    """The functions with their names filled in. Only a live host's udev database knows its devices."""
    if not functions:
        return ()
    from_udev = _udev_names() if source.live else {}
    ids = PciIds.load(source)
    return tuple(replace(item, names=from_udev.get(item.address) or ids.names(item)) for item in functions)


def _udev_names() -> dict[str, Names]:
    try:
        import pyudev  # noqa: PLC0415 - late: only a live host needs it

        devices = list(pyudev.Context().list_devices(subsystem="pci"))
    except (ImportError, OSError):
        return {}
    found = {}
    for device in devices:
        vendor = device.properties.get("ID_VENDOR_FROM_DATABASE")
        model = device.properties.get("ID_MODEL_FROM_DATABASE")
        kind = device.properties.get("ID_PCI_SUBCLASS_FROM_DATABASE") or device.properties.get(
            "ID_PCI_CLASS_FROM_DATABASE"
        )
        if vendor and model:
            found[device.sys_name] = Names(vendor, model, kind)
    return found


class PciIds:
    """The `pci.ids` text, searched rather than parsed: a survey needs a few dozen of its 40,000 entries."""

    def __init__(self, text: bytes) -> None:
        self._text = text
        self._sections: dict[bytes, bytes] = {}
        self._known: dict[tuple[str, str, str], Names] = {}

    @classmethod
    def load(cls, source: Source) -> "PciIds":
        """The source's own file, else this host's, else an empty one."""
        for tree in (source, DirectorySource()):
            for path in PCI_IDS_FILES:
                opened = tree.open(path)
                if not isinstance(opened, Unread):
                    text = opened.read(0, _IDS_LIMIT)
                    opened.close()
                    if isinstance(text, bytes):
                        return cls(b"\n" + text)
        return cls(b"")

    def names(self, item: FunctionEvidence) -> Names:
        """What the file calls a function, by the numbers in its attributes or its config space."""
        numbers = identity(item)
        if numbers not in self._known:
            vendor, device, code = numbers
            section = self._section(vendor)
            classes = self._section(f"C {code[:2]}")
            self._known[numbers] = Names(
                _title(section), _entry(section, f"\t{device}"), _entry(classes, f"\t{code[2:4]}") or _title(classes)
            )
        return self._known[numbers]

    def _section(self, key: str) -> bytes:
        name = key.encode()
        if name not in self._sections:
            start = self._text.find(b"\n" + name + b"  ") if len(key.removeprefix("C ")) in {2, 4} else -1
            section = b""
            if start >= 0:
                following = _SECTION.search(self._text, start + 2)
                section = self._text[start + 1 : following.start() if following else None]
            self._sections[name] = section
        return self._sections[name]


def identity(item: FunctionEvidence) -> tuple[str, str, str]:
    """Vendor, device and six-digit class in hexadecimal, from the attributes, else from config space, else empty."""
    attributes = item.attributes
    vendor, device, code = (attributes.get(name, "").removeprefix("0x") for name in (VENDOR, DEVICE, CLASS))
    if vendor and device and code:
        return vendor, device, code
    space = item.space()
    maker, model, kind = space.value(VendorId.vendor_id), space.value(DeviceId.device_id), space.class_code
    if maker is None or model is None or kind is None:
        return vendor, device, code
    return f"{maker:04x}", f"{model:04x}", f"{int(kind):06x}"


def _title(section: bytes) -> str | None:
    line = section.partition(b"\n")[0].decode("utf-8", "replace")
    return line.partition("  ")[2].strip() or None


def _entry(section: bytes, key: str) -> str | None:
    start = section.find(b"\n" + key.encode() + b"  ")
    if start < 0:
        return None
    line = section[start + 1 :].partition(b"\n")[0].decode("utf-8", "replace")
    return line.partition("  ")[2].strip() or None
