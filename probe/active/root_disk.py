"""Which targets of a soak hold the root of the system that it runs on."""

from collections.abc import Mapping, Sequence

from probe.active.users import is_below, root_disks
from probe.host.uses import Uses
from probe.loads.interface import Target


def targets_with_root(targets: Sequence[Target], paths: Mapping[str, str], uses: Uses) -> tuple[str, ...] | None:
    """The labels of targets behind which a disk of the root sits; None where its disk cannot be told.

    `paths` are those of functions below /sys.
    """
    disks = root_disks(uses)
    if not disks:
        return None
    ways = [way for disk in disks for way in disk.paths]
    behind = [(target, paths.get(target.address or "")) for target in targets]
    return tuple(target.label for target, path in behind if path and any(is_below(way, path) for way in ways))
