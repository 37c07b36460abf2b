"""The kernel's log: the lines that speak of PCI Express, since boot, from /dev/kmsg or a saved text."""

import os
import re
from collections.abc import Hashable, Iterator

from probe.address import ADDRESS
from probe.evidence import LogLine, Unread, Why
from probe.exceptions import InputError
from probe.host.files import KERNEL_LOG
from probe.host.source import Source

_WANTED = re.compile(
    rf"{ADDRESS}|\bAER\b|\bDPC\b|_OSC|pciehp|Slot\(|Hardware Error|PCIe|pcie_ports|callbacks suppressed"
)
_RECORD = re.compile(r"\d+,\d+,(\d+),[^;]*;(.*)")
_LEVEL = r"(?:\w+\s*:\s*\w+\s*:\s*|<\d+>)?"  # facility and level, in words or as a number
_STAMPED = re.compile(rf"{_LEVEL}\[\s*(\d+\.\d+)(?:\s*<[^>]*>)?\]\s?(.*)")
_BOOT = re.compile(r"-- (?:Re)?[Bb]oot\b.*--$|.*\bLinux version \d")
_CLOCKS_DIFFER_S = 1.0  # the clocks of two processors; a stamp that falls by more is of another boot
_LIMIT = 20_000
LOG_LINES = 50_000
"""The most lines about PCI Express of a saved log; a live one keeps fewer."""
_TOO_MANY = "give the part of the log that is asked about"
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


def saved_boots(text: str, name: str) -> tuple[tuple[LogLine, ...], ...]:
    """The wanted lines of a saved log, each boot for itself: as printed, as recorded, or the journal's export format.

    Export format: https://systemd.io/JOURNAL_EXPORT_FORMATS, fields of one entry a line each, entries apart by an empty
    line. Raises InputError where there are too many.
    """
    lines = _exported(text) if text.lstrip().startswith("__CURSOR=") else _printed(text)
    boots: dict[Hashable, list[LogLine]] = {}
    for count, (boot, line) in enumerate(lines):
        if count == LOG_LINES:
            what = f"holds more than {LOG_LINES} lines about PCI Express, the most that is read of a log"
            raise InputError(what, where=name, remedy=_TOO_MANY)
        boots.setdefault(boot, []).append(line)
    return tuple(tuple(members) for members in boots.values())


def _parts(text: str, mark: str) -> Iterator[str]:
    """A text at its marks, one part at a time: a long log is not held twice."""
    start = 0
    while (end := text.find(mark, start)) >= 0:
        yield text[start:end]
        start = end + len(mark)
    yield text[start:]


def _exported(text: str) -> Iterator[tuple[Hashable, LogLine]]:
    for entry in _parts(text, "\n\n"):
        fields = dict(line.split("=", 1) for line in entry.splitlines() if "=" in line)
        message = fields.get("MESSAGE", "")
        if fields.get("_TRANSPORT", "kernel") == "kernel" and _WANTED.search(message):
            moment = fields.get("_SOURCE_MONOTONIC_TIMESTAMP") or fields.get("__MONOTONIC_TIMESTAMP", "")
            yield fields.get("_BOOT_ID"), LogLine(message, int(moment) / 1e6 if moment.isdecimal() else None)


def _printed(text: str) -> Iterator[tuple[Hashable, LogLine]]:
    """A boot begins where the log says so, where the kernel names itself, and where the time since boot falls."""
    boot, latest_s = 0, 0.0
    for line in map(str.rstrip, _parts(text, "\n")):
        parsed = parse_line(line)
        fell = parsed.time_s is not None and parsed.time_s < latest_s - _CLOCKS_DIFFER_S
        if fell or (_BOOT.match(line) and (parsed.time_s is None or latest_s > 0)):
            boot, latest_s = boot + 1, 0.0
        latest_s = max(latest_s, parsed.time_s or 0.0)
        if _WANTED.search(line):
            yield boot, parsed


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
