"""What a person calls a place and what is in it. Reads the link document only."""

from collections import Counter
from collections.abc import Iterable

from probe.audit.document import LinkDocument
from probe.audit.verdict_headline import where


def title(link: LinkDocument) -> str:
    """What a person calls the place: the slot's name with the address, or the address alone."""
    address = link.downstream_port or link.upstream_port or ""
    named = link.slot.title if link.slot is not None else None
    if named is None:
        return f"port {address}" if link.downstream_port else f"component {address}"
    return f"slot {named} (port {address})" if link.downstream_port else f"slot {named}"


def short_titles(links: Iterable[LinkDocument]) -> dict[str, str]:
    """The shortest name of each place that tells it from the others, by place id: the slot's, else the address."""
    listed = list(links)
    names = {link.place_id: _slot_name(link) for link in listed}
    times = Counter(names.values())
    return {
        link.place_id: name if name is not None and times[name] == 1 else f"{name or ''} {where(link)}".strip()
        for link in listed
        for name in (names[link.place_id],)
    }


def _slot_name(link: LinkDocument) -> str | None:
    """The name of its own slot; a link inside a card, or below a switch, may bear the same."""
    name = link.slot.title if link.slot is not None else None
    return f"slot {name}" if name and name[0].isdecimal() else name


def identity(link: LinkDocument) -> str | None:
    """What a component is: its serial number, else its kind; None for an empty place."""
    component = link.component
    if component is None:
        return None
    if component.serial is not None:
        return f"serial {component.serial}"
    numbers = f"{component.vendor_id}:{component.device_id}"
    return f"{numbers} subsystem {component.subsystem_id}" if component.subsystem_id else numbers


def described(link: LinkDocument) -> str | None:
    """A component in words, with what tells it from its like."""
    component = link.component
    if component is None:
        return None
    name = kind_of(link) or ""
    return f"{name}, serial {component.serial}" if component.serial else name


def kind_of(link: LinkDocument) -> str | None:
    """A component in words, or by its numbers where it has no name; None for an empty place."""
    component = link.component
    if component is None:
        return None
    return component.names.device or component.names.kind or f"{component.vendor_id}:{component.device_id}"
