"""Expectations written as TOML text, with a comment for the person who reads it."""

from collections.abc import Sequence

import tomlkit

from probe.audit.document import LinkDocument
from probe.audit.names import described
from probe.audit.verdict_headline import headline
from probe.compare.expectations import expected_of
from probe.foreign_text import plain, toml
from probe.links.kind_of_link import KindOfLink
from probe.schemas import Schema

_HEAD = """\
What this machine should be. Written by linkprobe from the machine as it was; edit it freely.
Each rule picks links by slot, path or device (vendor:device), with the wildcards * and ?, and holds them to what it
states: holds (vendor:device), empty, speed_gts, width, zero (error severities), correctable (errors/hours), and
at_least (a number, with device)."""


def to_toml(links: Sequence[LinkDocument], source: str) -> str:
    """The expectations that these links meet, as a file."""
    document = tomlkit.document()
    for line in (*_HEAD.splitlines(), f"Taken from {plain(source)}."):
        document.add(tomlkit.comment(plain(line)))
    document.add(tomlkit.nl())
    document.add("schema", Schema.EXPECTATIONS)
    rules = tomlkit.aot()
    slots = [link for link in links if link.kind is KindOfLink.SLOT]
    for link, rule in zip(slots, expected_of(links).rule, strict=True):
        table = tomlkit.table()
        words = described(link)
        below = f"{link.verdict} now: {headline(link)}" if link.verdict.below_capability else None
        if words is not None:
            table.comment(plain(words if below is None else f"{words}; {below}"))
        for name in rule.__struct_fields__:
            value = getattr(rule, name)
            if value not in (None, (), False) and not (name == "at_least" and value == 1):
                table.add(name, list(value) if isinstance(value, tuple) else value)
        rules.append(table)
    document.add("rule", rules)
    return toml(tomlkit.dumps(document))
