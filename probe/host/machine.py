"""Reading a whole machine into evidence: every function, the slots, what holds speeds down, and who the host is."""

from collections.abc import Callable, Iterable, Sequence

from probe.address import Address
from probe.evidence import Evidence, FunctionEvidence, Unread
from probe.host.files import DEVICES
from probe.host.function import FunctionReader
from probe.host.names import named
from probe.host.owner import unknown_host
from probe.host.sleep import Sleep
from probe.host.source import Source
from probe.host.surroundings import PARTS, Surroundings, together

Reading = Callable[[Sequence[str]], Iterable[FunctionEvidence]]
ReadingAround = Callable[[], Iterable[Surroundings]]


def read_machine(
    source: Source, *, wake: bool = False, functions: Reading | None = None, around: ReadingAround | None = None
) -> Evidence:
    """Read every function of the source and what is known about their places.

    `wake` also reads functions that are asleep; `functions` reads those of given addresses in another way, `around`
    what is beside them. A machine without PCI is evidence too: of no function, or of a list that could not be read.
    """
    unread: list[Unread] = []
    listed = source.names(DEVICES)
    if isinstance(listed, Unread):
        unread.append(listed)
        listed = []
    names = [str(address) for address in sorted(filter(None, map(Address.find, listed)))]
    if functions is None:
        sleep = Sleep(source)
        read = [FunctionReader(source, name, sleep, wake=wake).read() for name in names]
    else:
        read = list(functions(names))
    found = together(around() if around is not None else (part(source) for part in PARTS.values()))
    return Evidence(
        host=found.host or unknown_host(source),
        functions=named(read, source),
        slots=found.slots,
        smbios_slots=found.smbios_slots,
        cooling=found.cooling,
        kernel_log=found.kernel_log,
        unread=(*unread, *found.unread),
    )
