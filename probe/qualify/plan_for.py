"""A plan made for this machine: what is in it, which links have lane margining, which loads find something to drive.

May live here: looking. May not: the text of the plan.
"""

from collections.abc import Iterator

from probe.exceptions import LinkprobeError
from probe.links.topology import topology
from probe.loads.catalogue import find
from probe.qualify.plan_text import plan_text
from probe.qualify.site import Site
from probe.registers.margining import LANE_MARGINING

_LOADS = ("accelerator", "storage-read")
"""Those that write nothing of anybody's and drive links; `memory` beside them tells a host that is the narrow place."""
_BESIDE = "memory"


def plan_for(site: Site) -> str:
    """The plan as text. Raises InputError, NothingToJudge."""
    taken = site.snapshot()
    host = taken.evidence.host
    having = {
        str(address) for address, item in topology(taken.evidence).functions.items() if item.space.find(LANE_MARGINING)
    }
    margined = [
        link.downstream_port
        for link in taken.links
        if link.downstream_port is not None and not having.isdisjoint((link.downstream_port, link.upstream_port))
    ]
    loads = list(_loads()) if site.source().live else []
    name = host.name or "a machine"
    return plan_text(
        taken.links, host=name, source=f"{name}, {host.taken_at}", loads=[*loads, *([_BESIDE] if loads else [])],
        margined=margined,
    )  # fmt: skip


def _loads() -> Iterator[str]:
    for name in _LOADS:
        try:
            found = find(name)
        except (LinkprobeError, OSError):
            continue
        if any(target.address is not None for _, target in found):
            yield name
