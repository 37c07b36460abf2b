"""Firmware that is another in a later part than in the first. Pure."""

from collections.abc import Iterator, Sequence

from probe.qualify.entries import PartBegun


def firmware_changes(parts: Sequence[PartBegun]) -> Iterator[str]:
    """What changed of the machine's firmware and its devices' between the first part and each later one, in words."""
    first = parts[0]
    for number, part in enumerate(parts[1:], start=2):
        for name in sorted({*first.host.firmware, *part.host.firmware}):
            before, after = first.host.firmware.get(name), part.host.firmware.get(name)
            if None not in {before, after} and before != after:
                yield f"part {number}: {name} of the machine was {before} and is {after}"
        then = {(item.address, item.device): item.says for item in first.firmware}
        for item in part.firmware:
            said = then.get((item.address, item.device), {})
            for name, text in item.says.items():
                if said.get(name, text) != text:
                    yield f"part {number}: {name} of {item.device} ({item.address}) was {said[name]} and is {text}"
