"""What is refused before anything runs and before there is a record: what must not be written, what cannot fit."""

from collections.abc import Iterable

from probe.exceptions import InputError
from probe.host.memory import available_bytes
from probe.loads.interface import Load, Options, Target

PAGE = 4096
"""Direct reads and writes are of whole blocks of the device, and of at most this size on all that are in use."""
_SHARE = 0.5
"""Of the memory that is free: what loads take cannot be swapped out."""


def refuse_what_cannot_run(loads: Iterable[tuple[Load, Target]], options: Options) -> None:
    """Raise InputError for what a load would refuse, and for more memory than there is."""
    needed = 0
    for load, target in loads:
        refuse = getattr(load, "refuse", None)  # a site's load may be older
        if refuse is not None:
            refuse(target, options)
        memory = getattr(load, "memory_bytes", None)
        needed += 0 if memory is None else memory(options)
    available = available_bytes()
    if available is not None and needed > _SHARE * available:
        what = f"the loads would take {needed / 1e9:.1f} GB of memory, of which {available / 1e9:.1f} are free"
        where = f"--block {options.block}" if options.block else "--load"
        raise InputError(what, where=where, remedy=f"give a smaller --block or --in-flight: {_SHARE:.0%} may be taken")


def refuse_odd_block(options: Options) -> None:
    """Raise InputError for a block that cannot be read or written past the cache."""
    if options.block is not None and options.block % PAGE:
        what = f"is no multiple of {PAGE}, and disks are driven past the cache"
        raise InputError(what, where=f"--block {options.block}", remedy="give one")
