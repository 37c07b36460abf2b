"""The kernel's log: the lines that speak of PCI Express, since boot, from /dev/kmsg or a saved text."""

import os
import re

from probe.address import ADDRESS
from probe.evidence import LogLine, Unread, Why
from probe.host.files import KERNEL_LOG
from probe.host.source import Source

_WANTED = re.compile(rf"{ADDRESS}|\bAER\b|\bDPC\b|_OSC|pciehp|Slot\(|Hardware Error|PCIe|pcie_ports")
_RECORD = re.compile(r"\d+,\d+,(\d+),[^;]*;(.*)")
_STAMPED = re.compile(r"(?:<\d+>)?\[\s*(\d+\.\d+)\]\s?(.*)")
_LIMIT = 20_000
_RECORD_BYTES = 8192
_SAVED_BYTES = 64 << 20


def read_kernel_log(source: Source) -> tuple[LogLine, ...] | Unread:
    """The wanted lines of a source's saved log; the ring buffer itself on a live host."""
    if source.live:
        records = _ring_buffer()
        return records if isinstance(records, Unread) else wanted_lines(records)
    text = _saved(source)
    return text if isinstance(text, Unread) else wanted_lines(_records(text))


def _saved(source: Source) -> str | Unread:
    opened = source.open(KERNEL_LOG)
    if isinstance(opened, Unread):
        return opened
    try:
        data = opened.read(0, _SAVED_BYTES)
    finally:
        opened.close()
    return data if isinstance(data, Unread) else data.decode("utf-8", "replace")


def _records(text: str) -> list[str]:
    """Lines without those that go on with a record: they begin with a space (kernel Documentation/ABI, dev-kmsg)."""
    return [line for line in text.splitlines() if not line.startswith(" ")]


def wanted_lines(lines: list[str]) -> tuple[LogLine, ...]:
    """The lines about PCI Express, each with its seconds since boot where it has them."""
    return tuple(parse_line(line) for line in lines if _WANTED.search(line))


def saved_lines(text: str) -> tuple[LogLine, ...]:
    """The wanted lines of a saved log: as printed, as recorded, or the journal's export format.

    Export format: https://systemd.io/JOURNAL_EXPORT_FORMATS, fields of one entry a line each, entries apart by an empty
    line.
    """
    if not text.lstrip().startswith("__CURSOR="):
        return wanted_lines(text.splitlines())
    found = []
    for entry in text.split("\n\n"):
        fields = dict(line.split("=", 1) for line in entry.splitlines() if "=" in line)
        message = fields.get("MESSAGE", "")
        if fields.get("_TRANSPORT", "kernel") == "kernel" and _WANTED.search(message):
            moment = fields.get("_SOURCE_MONOTONIC_TIMESTAMP") or fields.get("__MONOTONIC_TIMESTAMP", "")
            found.append(LogLine(message, int(moment) / 1e6 if moment.isdecimal() else None))
    return tuple(found)


def parse_line(line: str) -> LogLine:
    """A line as /dev/kmsg records it (`6,339,5140900,-;text`) or as printed (`[    5.140900] text`)."""
    if match := _RECORD.match(line):
        return LogLine(match[2], int(match[1]) / 1e6)
    if match := _STAMPED.match(line):
        return LogLine(match[2], float(match[1]))
    return LogLine(line.strip())


def _ring_buffer() -> list[str] | Unread:
    lines: list[str] = []
    try:
        descriptor = os.open(f"/{KERNEL_LOG}", os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except PermissionError as error:
        return Unread(KERNEL_LOG, Why.DENIED, error.strerror or "")
    except OSError as error:
        return Unread(KERNEL_LOG, Why.ABSENT, error.strerror or "")
    try:
        while len(lines) < _LIMIT:
            try:
                lines.append(os.read(descriptor, _RECORD_BYTES).decode("utf-8", "replace").partition("\n")[0])
            except BlockingIOError:
                break
            except BrokenPipeError:  # the record was overwritten while we read; the next one is whole
                continue
    except OSError as error:
        return Unread(KERNEL_LOG, Why.DENIED, error.strerror or "")
    finally:
        os.close(descriptor)
    return lines
