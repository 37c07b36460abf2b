"""Which loads there are, by name, and how each is made. A new one needs its row in `LOADS`.

A site adds its own as entry points of the group `linkprobe.loads`.
"""

from collections.abc import Callable
from functools import partial
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points

from probe.exceptions import InputError
from probe.loads.interface import Load, Target

LOADS = {
    "accelerator": "probe.loads.kinds.accelerator:AcceleratorCopy",
    "accelerator-peers": "probe.loads.kinds.accelerator_peers:AcceleratorPeers",
    "network": "probe.loads.kinds.network:Network",
    "memory": "probe.loads.kinds.memory:MemoryBaseline",
    "storage-read": "probe.loads.kinds.storage_read:StorageRead",
    "storage-round-trip": "probe.loads.kinds.storage_round_trip:StorageRoundTrip",
}
GROUPS = ("linkprobe.exercisers", "linkprobe.loads")
"""The first is the old name of the group, still read."""


def known() -> dict[str, Load]:
    """Every load that there is, by name."""
    return {name: make() for name, make in sorted(_makers().items())}


def find(text: str) -> list[tuple[Load, Target]]:
    """What `NAME[:TARGET]` means; without a target, all that the load finds. Raises InputError."""
    name, _, target = text.partition(":")
    makers = _makers()
    if name not in makers:
        remedy = f"choose among {', '.join(sorted(makers))}"
        raise InputError("no such load", where=f"--load {text}", remedy=remedy)
    load = make(name)
    targets = [load.target(target)] if target else load.targets()
    if not targets:
        raise InputError(f"finds nothing to drive ({load.needs})", where=f"--load {text}", remedy="name a target")
    return [(load, item) for item in targets]


def make(name: str) -> Load:
    """The load of this name, which there is. Raises InputError where a site's own cannot be made."""
    return _makers()[name]()


def _makers() -> dict[str, Callable[[], Load]]:
    """How each load is made; no module of one is loaded before. Our own names stay ours."""
    points = [point for group in GROUPS for point in entry_points(group=group)]
    makers: dict[str, Callable[[], Load]] = {point.name: partial(_of_a_site, point) for point in points}
    return makers | {name: partial(_ours, where) for name, where in LOADS.items()}


def _of_a_site(point: EntryPoint) -> Load:
    """A load of a site. Raises InputError for one that cannot be made, which ends this load alone."""
    try:
        made: Load = point.load()()
    except Exception as error:  # foreign code may raise anything
        what = f"this load of a site cannot be made ({type(error).__name__}: {error})"
        raise InputError(what, where=f"--load {point.name}", remedy=f"mend or remove {point.value}") from error
    return made


def _ours(where: str) -> Load:
    module, _, name = where.partition(":")
    made: Load = getattr(import_module(module), name)()
    return made
