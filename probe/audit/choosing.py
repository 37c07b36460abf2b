"""Which links a person means: by address, slot name, kind, or all."""

from collections.abc import Iterable, Sequence
from fnmatch import fnmatchcase

from probe.audit.document import LinkDocument
from probe.exceptions import InputError


def chosen(links: Iterable[LinkDocument], words: Sequence[str], *, option: str = "--link ") -> tuple[LinkDocument, ...]:
    """The links that any word names; all that hold something, for no word. Raises InputError.

    `option` is what stands before a word on the command line.
    """
    occupied = tuple(link for link in links if link.component is not None)
    if not words:
        return occupied
    found: dict[str, LinkDocument] = {}
    for word in words:
        named = [
            link for link in occupied if word in _names(link) or any(fnmatchcase(name, word) for name in _names(link))
        ]
        if not named:
            near = meant(word, (name for link in occupied for name in _names(link)))
            remedy = f"{near}give an address, a slot name, a kind, or all; linkprobe audit lists them"
            raise InputError("names no link that holds something", where=f"{option}{word}", remedy=remedy)
        found.update((link.place_id, link) for link in named)
    return tuple(found.values())


def meant(word: str, names: Iterable[str]) -> str:
    """A question, to stand before a remedy: whether a name was meant of which `word` is the beginning."""
    near = sorted({name for name in names if word and name.casefold().startswith(f"{word.casefold()} ")})
    return f"did you mean {' or '.join(map(repr, near))}? " if near else ""


def _names(link: LinkDocument) -> tuple[str, ...]:
    component = link.component
    slots = [link.slot.title, *(item.name for item in link.slot.names)] if link.slot is not None else []
    kinds = [component.names.kind, component.names.device, *component.functions] if component is not None else []
    return tuple(filter(None, ("all", link.downstream_port, link.upstream_port, *slots, *kinds)))
