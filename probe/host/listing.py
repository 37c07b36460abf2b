"""What the kernel lists: the addresses of functions and the names of slots."""

from probe.evidence import Unread
from probe.host.files import DEVICES, SLOTS
from probe.host.source import Source


def function_names(source: Source) -> list[str]:
    """The functions that are listed, as the kernel writes them; none where the list cannot be read."""
    return _listed(source, DEVICES)


def slot_names(source: Source) -> list[str]:
    """The slots that are listed; none where the list cannot be read."""
    return _listed(source, SLOTS)


def _listed(source: Source, directory: str) -> list[str]:
    names = source.names(directory)
    return [] if isinstance(names, Unread) else names
