"""Which firmware the devices of a machine run, where the kernel tells: drives, network adapters, accelerators.

May live here: reading what the kernel answers. Network interfaces are asked by ETHTOOL_GDRVINFO
(include/uapi/linux/ethtool.h), which drivers answer from memory or with one question to their device.
"""

import array
import contextlib
import fcntl
import socket
import struct
from collections.abc import Iterator

import msgspec

from probe.address import Address
from probe.evidence import Unread
from probe.host.source import Source
from probe.kernel_spellings import DEVICE_FIRMWARE

_CLASS = "sys/class"
_NETWORK = f"{_CLASS}/net"
_ACCELERATORS = "proc/driver/nvidia/gpus"
_TOLD_THERE = ("Model", "Video BIOS", "GPU Firmware")
_SIOCETHTOOL = 0x8946  # include/uapi/linux/sockios.h
_GDRVINFO = 0x3
_DRVINFO = struct.Struct("I32s32s32s32s32s12s5I")
"""struct ethtool_drvinfo: command, driver, version, fw_version, bus_info, erom_version, reserved, five numbers."""
_FIRMWARE_AT = 3
_SAYS_NOTHING = frozenset({"", "N/A", "0", "n/a"})


class DeviceFirmware(msgspec.Struct, frozen=True, kw_only=True):
    """What one device says of its firmware: the function behind which it sits, its kernel name, and words by name."""

    address: str | None
    device: str
    says: dict[str, str]


def read_firmware(source: Source) -> tuple[DeviceFirmware, ...]:
    """The firmware of every device that tells; nothing is written and no device is woken for it."""
    found = [*_by_class(source), *_accelerators(source), *(_interfaces(source) if source.live else ())]
    return tuple(sorted(found, key=lambda item: (item.address or "", item.device)))


def _by_class(source: Source) -> Iterator[DeviceFirmware]:
    for kind, files in DEVICE_FIRMWARE.items():
        for name in _names(source, f"{_CLASS}/{kind}"):
            texts = {file.rpartition("/")[2]: source.text(f"{_CLASS}/{kind}/{name}/{file}") for file in files}
            says = {key: text for key, text in texts.items() if isinstance(text, str) and text not in _SAYS_NOTHING}
            if says:
                yield DeviceFirmware(address=_function(source, f"{_CLASS}/{kind}/{name}"), device=name, says=says)


def _accelerators(source: Source) -> Iterator[DeviceFirmware]:
    """What the driver says below /proc, a line a thing."""
    for address in _names(source, _ACCELERATORS):
        text = source.text(f"{_ACCELERATORS}/{address}/information")
        lines = [] if isinstance(text, Unread) else [line.partition(":") for line in text.splitlines()]
        says = {name.strip(): value.strip() for name, _, value in lines if name.strip() in _TOLD_THERE}
        if says:
            yield DeviceFirmware(address=address, device=f"accelerator {address}", says=says)


def _interfaces(source: Source) -> Iterator[DeviceFirmware]:
    for name in _names(source, _NETWORK):
        address = _function(source, f"{_NETWORK}/{name}")
        if address is None:
            continue
        version = _asked(name)
        if version is not None:
            yield DeviceFirmware(address=address, device=name, says={"firmware": version})


def _asked(interface: str) -> str | None:
    """The firmware version that the driver of an interface tells; None where it tells none."""
    data = array.array("B", _DRVINFO.pack(_GDRVINFO, b"", b"", b"", b"", b"", b"", 0, 0, 0, 0, 0))
    request = struct.pack("16sP", interface.encode()[:15], data.buffer_info()[0])
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        fcntl.ioctl(asking, _SIOCETHTOOL, request)
        said = _DRVINFO.unpack(data.tobytes())[_FIRMWARE_AT].partition(b"\0")[0].decode("utf-8", "replace").strip()
        return None if said in _SAYS_NOTHING else said
    return None


def _function(source: Source, path: str) -> str | None:
    """The PCI function behind a class device."""
    target = source.target(path)
    parts = [] if isinstance(target, Unread) else [part for part in target.split("/") if Address.find(part)]
    if parts:
        return parts[-1]
    text = source.text(f"{path}/address")  # a drive with several paths hangs on a subsystem, and says where it is
    return text if isinstance(text, str) and Address.find(text) else None


def _names(source: Source, path: str) -> list[str]:
    found = source.names(path)
    return [] if isinstance(found, Unread) else sorted(found)
