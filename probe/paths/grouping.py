"""Pairs whose ways are alike, told as one: many devices make very many pairs."""

from collections import defaultdict
from collections.abc import Iterable, Sequence

from probe.paths.document import Device, Group, Kind, Pair, Turn

_KINDS = tuple(Kind)
_TURNS = (Turn.SWITCH, Turn.REDIRECTED, Turn.ROOT, Turn.UNKNOWN, Turn.HIDDEN)
"""From the shortest way on."""
_Key = tuple[tuple[int, int], int, bool | None, str | None, int | None]


def grouped(pairs: Iterable[Pair], devices: Sequence[Device]) -> tuple[Group, ...]:
    """Groups by kinds, then by how they turn, then the widest first."""
    kinds = {device.address: _KINDS.index(device.kind) for device in devices}
    found: dict[_Key, list[Pair]] = defaultdict(list)
    for pair in pairs:
        found[_key(pair, kinds[pair.one], kinds[pair.other])].append(pair)
    groups = [_group(key, alike) for key, alike in found.items()]
    return tuple(sorted(groups, key=_order))


def _key(pair: Pair, one: int, other: int) -> _Key:
    narrowest = None if pair.narrowest is None else str(pair.narrowest.negotiated)
    between = (min(one, other), max(one, other))
    return between, _TURNS.index(pair.turn), pair.same_node, narrowest, pair.ceiling_bytes_s


def _group(key: _Key, alike: Sequence[Pair]) -> Group:
    (one, other), turn, same_node, narrowest, ceiling = key
    return Group(
        kinds=(_KINDS[one], _KINDS[other]),
        turn=_TURNS[turn],
        at=tuple(sorted({pair.at for pair in alike if pair.at is not None})),
        same_node=same_node,
        narrowest=narrowest,
        ceiling_bytes_s=ceiling,
        pairs=len(alike),
        devices=tuple(dict.fromkeys(address for pair in alike for address in (pair.one, pair.other))),
    )


def _order(group: Group) -> tuple[int, int, int, int, tuple[str, ...]]:
    kinds = [_KINDS.index(kind) for kind in group.kinds]
    return kinds[0], kinds[1], _TURNS.index(group.turn), -(group.ceiling_bytes_s or 0), group.devices
