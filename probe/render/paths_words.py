"""The ways between devices in words that the screen and others share. Nothing here advises to take isolation away."""

from collections.abc import Iterator, Sequence

from probe.counted import counted
from probe.paths.document import Kind, Pair, Paths, Turn
from probe.paths.isolation import PortIsolation

KINDS = {
    Kind.ACCELERATOR: ("accelerator", "accelerators"), Kind.DISPLAY: ("display", "displays"),
    Kind.NETWORK: ("network adapter", "network adapters"), Kind.DRIVE: ("drive", "drives"),
}  # fmt: skip
PROTECTS = (
    "Access Control Services send what devices say to each other up to the root, where the IOMMU checks it. They keep "
    "a faulty device, or one that was taken over, from reading and writing its neighbours unseen, and let devices "
    "below one switch be given to different virtual machines. linkprobe only reads these settings; whoever changes "
    "them gives up that protection for every device below."
)
_BITS = {
    "request_redirect": "requests", "completion_redirect": "completions", "egress_control": "by a vector",
}  # fmt: skip


def turning(turn: Turn, switches: Sequence[str]) -> str:
    """Where a way turns, in a few words."""
    at = switches[0] if len(switches) == 1 else f"one of {len(switches)}"
    match turn:
        case Turn.SWITCH:
            return f"turns at the switch {at}" if len(switches) == 1 else f"turns at {at} switches"
        case Turn.REDIRECTED:
            return f"by the root, redirected below {at}{_more(switches)}"
        case Turn.ROOT:
            return "by the root complex"
        case Turn.HIDDEN:
            return "ports above are hidden"
        case Turn.UNKNOWN:
            return f"meets at {at}{_more(switches)}; not read whether it turns"


def _more(switches: Sequence[str]) -> str:
    return " switches" if len(switches) > 1 else ""


def node_words(same: bool | None) -> str:  # noqa: FBT001 - a value of the document
    """Whether two devices are on one NUMA node."""
    return "not read" if same is None else "the same" if same else "two"


def group_words(same: bool | None) -> str:  # noqa: FBT001 - a value of the document
    """Whether two devices are in one IOMMU group."""
    return "none named" if same is None else "one: not isolated from each other" if same else "two"


def redirecting(pair: Pair) -> Iterator[str]:
    """Each port on the way that redirects, and what."""
    for port in pair.isolation:
        if port.redirects:
            yield f"{port.port} redirects {_what(port)}"


def _what(port: PortIsolation) -> str:
    return ", ".join(word for name, word in _BITS.items() if getattr(port, name))


def counts(document: Paths) -> str:
    """How many devices of each kind."""
    told = []
    for kind, (one, several) in KINDS.items():
        number = sum(device.kind is kind for device in document.devices)
        if number:
            told.append(counted(number, one, several))
    return ", ".join(told)


def remarks(document: Paths) -> Iterator[str]:
    """What the ways of this machine mean."""
    turns = {pair.turn for pair in document.pairs}
    if Turn.REDIRECTED in turns:
        yield PROTECTS
    if Turn.ROOT in turns:
        yield (
            "By the root complex: whether it forwards what devices say to each other is up to the processor, and the "
            "kernel allows it only on those that it knows to do so. The ceiling is that of the links on the way."
        )
    if any(pair.same_node is False and pair.turn in {Turn.ROOT, Turn.REDIRECTED} for pair in document.pairs):
        yield "Between two NUMA nodes it also crosses the processors' own interconnect, whose rate is not read here."
    if any(pair.rests for pair in document.pairs):
        yield "A link on some ways saves power now; ceilings are those of the states the links have, not of full load."
    if Turn.HIDDEN in turns:
        yield "In a virtual machine the ports above are not the real ones: ask on its host."
