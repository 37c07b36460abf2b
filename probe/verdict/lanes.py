"""Which lanes a short width points to.

A link trained to w of a possible 2w or more without lane reversal lost a lane in w to 2w-1: with that lane it would
have formed the next wider link. Inferred from AMD PG343, "Lane Becomes Faulty", and PG213, "Link Partner Supports
Fewer Lanes".
"""

from typing import TYPE_CHECKING

from probe.links.reason import Reason
from probe.registers import physical

if TYPE_CHECKING:
    from probe.links.link import Link


def suspect_lanes(trained: int, possible: int) -> range:
    """The lanes of which at least one failed, counted from lane 0 without reversal."""
    return range(trained, min(2 * trained, possible)) if 0 < trained < possible else range(0)


def lanes_of(mask: int) -> tuple[int, ...]:
    """The lanes whose bits are set."""
    return tuple(lane for lane in range(physical.LANES) if mask >> lane & 1)


def lane_errors(link: "Link") -> tuple[tuple[str, str, tuple[int, ...]], ...]:
    """Lanes in error as each end's registers name them: source, value, lanes. The bits stay until cleared."""
    found = []
    for end in link.ends:
        for structure, register in (
            (physical.SECONDARY_PCI_EXPRESS, physical.LANE_ERROR_STATUS),
            (physical.PHYSICAL_LAYER_16, physical.LOCAL_PARITY),
        ):
            raw = end.function.register(structure, register)
            if raw:
                found.append((f"{register.name} of {end.address}", f"{raw:08x}h", lanes_of(raw)))
    return tuple(found)


def lane_reasons(link: "Link", trained: int, possible: int) -> tuple[Reason, ...]:
    """The lanes in question, and the error bits that narrow them down."""
    lanes = suspect_lanes(trained, possible)
    where = str(lanes[0]) if len(lanes) == 1 else f"{lanes[0]} to {lanes[-1]}"
    meaning = f"a fault in lane {where} would leave this width; counted from the other end if the lanes are reversed"
    found = [Reason("trained and possible width", f"x{trained} of x{possible}", meaning)]
    for source, value, named in lane_errors(link):
        found.append(Reason(source, value, f"errors were seen in lane {', '.join(map(str, named))} since last cleared"))
    return tuple(found)
