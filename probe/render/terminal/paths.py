"""The ways between devices on a terminal: groups of alike ones, or the pairs that were asked for in full."""

from collections.abc import Sequence

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from probe.counted import counted
from probe.paths.document import Device, Group, Pair, Paths
from probe.render.paths_words import KINDS, counts, group_words, node_words, redirecting, remarks, turning
from probe.render.units import data_rate

_MOST_GROUPS = 24
_MOST_PAIRS = 6
"""As many pairs are told in full; more are told in groups."""


def render(document: Paths, screen: Console) -> None:
    """Draw the ways."""
    name = document.host.name or "this machine"
    pairs = len(document.pairs)
    screen.print(Text.assemble((name, "bold"), f"  {counts(document)}: {counted(pairs, 'pair')}"))
    if pairs <= _MOST_PAIRS:
        devices = {device.address: device for device in document.devices}
        for pair in document.pairs:
            _pair(pair, devices[pair.one], devices[pair.other], screen)
    else:
        _groups(document.groups, screen)
    for remark in remarks(document):
        screen.print()
        screen.print(remark)


def _groups(groups: Sequence[Group], screen: Console) -> None:
    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    table.add_column("pairs", justify="right", no_wrap=True)
    for title in ("between", "way", "NUMA nodes", "narrowest link", "ceiling"):
        table.add_column(title, overflow="fold")
    for group in groups[:_MOST_GROUPS]:
        table.add_row(
            str(group.pairs),
            _kinds(group),
            turning(group.turn, group.at),
            node_words(group.same_node),
            group.narrowest or "",
            "" if group.ceiling_bytes_s is None else data_rate(group.ceiling_bytes_s),
        )
    screen.print()
    screen.print(table)
    left = groups[_MOST_GROUPS:]
    if left:
        more = counted(sum(group.pairs for group in left), "pair")
        screen.print(f"and {more} in {counted(len(left), 'other group')}; --between narrows it down, --json has all")


def _kinds(group: Group) -> str:
    one, other = group.kinds
    return KINDS[one][1] if one is other else f"{KINDS[one][0]}, {KINDS[other][0]}"


def _pair(pair: Pair, one: Device, other: Device, screen: Console) -> None:
    screen.print()
    screen.print(Text(f"{_named(one)} and {_named(other)}", style="bold"))
    rows = [("way", turning(pair.turn, [pair.at] if pair.at else []))]
    rows += [("", text) for text in redirecting(pair)]
    rows += [("NUMA nodes", f"{node_words(pair.same_node)}{_numbers(one.numa_node, other.numa_node)}")]
    rows += [("IOMMU groups", f"{group_words(pair.same_group)}{_numbers(one.iommu_group, other.iommu_group)}")]
    if pair.narrowest is not None:
        step = pair.narrowest
        link = f"{step.downstream_port or 'hidden port'} to {step.upstream_port or 'nothing'}"
        rows.append(("narrowest link", f"{step.negotiated}, {link}"))
    if pair.ceiling_bytes_s is not None:
        rows.append(("ceiling", f"{data_rate(pair.ceiling_bytes_s)} of payload one way"))
    table = Table(box=None, show_header=False, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for row in rows:
        table.add_row(*row)
    screen.print(Padding(table, (0, 0, 0, 2)))


def _named(device: Device) -> str:
    place = "" if device.title == device.address else f" ({device.title})"
    return f"{device.address} {device.name}{place}"


def _numbers(one: object, other: object) -> str:
    return "" if one is None or other is None else f" ({one})" if one == other else f" ({one} and {other})"
