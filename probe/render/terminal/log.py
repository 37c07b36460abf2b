"""Log events on a terminal."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from probe.errors.log_events import LogEvent
from probe.registers.packet_header import PacketHeader


def render(events: Sequence[LogEvent], screen: Console) -> None:
    """Draw events in their order."""
    if not events:
        screen.print("Nothing in this log speaks of PCI Express errors, containment, hot-plug or links.")
    boot = None
    for event in events:
        if event.boot != boot:
            boot = event.boot
            screen.print(Text(f"boot {boot} of this log", style="bold"))
        moment = "" if event.time_s is None else f"{event.time_s:12.3f} s  "
        severity = f"{event.severity.words} " if event.severity else ""
        names = ", ".join(event.errors)
        first = f", first {event.first}" if event.first else ""
        left_out = "" if event.suppressed is None else f": {event.suppressed}"
        told = f"{severity}{event.kind}{left_out}{f': {names}{first}' if names else ''}"
        screen.print(Text.assemble(moment, (event.address or "platform", "bold"), f"  {told}"))
        if event.header is not None:
            screen.print(Padding(packet(event.header), (0, 0, 0, 6)))
        screen.print(Padding(Text(event.text, style="dim"), (0, 0, 0, 6)))


def packet(header: PacketHeader) -> str:
    """A packet header in a sentence."""
    parts = [f"packet: {header.kind}, {header.length_dwords} dwords"]
    for name in ("requester", "completer", "target", "address", "status"):
        value = getattr(header, name)
        if value is not None:
            parts.append(f"{name} {value}")
    if header.register is not None:
        parts.append(f"register {header.register:03x}h")
    if header.tag is not None:
        parts.append(f"tag {header.tag:02x}h")
    return ", ".join(parts)
