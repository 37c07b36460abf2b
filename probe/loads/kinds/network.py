"""Network: frames from one port over a cable to another, or back into the same one, each numbered and compared.

Takes the interfaces out of the host into a place of its own while it runs, and refuses one that is up or that others
are made of. Sends to nobody but itself.
"""

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

from probe.evidence import Unread
from probe.exceptions import InputError
from probe.host.network_interfaces import NetworkInterface, network_interface, offers_loopback
from probe.host.network_place import program, take_into_a_place_of_its_own, wait_for_carrier
from probe.host.numa import node_of
from probe.loads.cabled import LARGEST_FRAME, Way
from probe.loads.frames import AT_A_CALL
from probe.loads.interface import Context, End, Options, Target
from probe.loads.results import BOTH, FROM_HOST, TO_HOST

_CARRIER_S = 15.0


class Network:
    """Sends and receives frames."""

    name = "network"
    drives = "a network port that gets back what it sends, or two with a cable between them"
    needs = "root, ip of iproute2, and ports that are set down: network:eth2 or network:eth2-eth3"
    verifies = "each frame has a number, and all that comes is compared with what was sent"
    writes = "frames to the port that was named, on a cable that leads to nobody else"
    phases: tuple[str, ...] = (FROM_HOST, TO_HOST, BOTH)

    def target(self, text: str) -> Target:
        """A port, or two with a hyphen between them. Raises InputError."""
        names = _names(text)
        if names is None:
            remedy = "name one as network:eth2, or two with a cable between them as network:eth2-eth3"
            raise InputError("no such network interface", where=f"network:{text}", remedy=remedy)
        near, far = (_interface(names[number]) for number in (0, -1))
        alone = len(names) == 1
        return Target(
            label=text,
            address=near.address,
            node=node_of(near.address),
            peer=None if alone else far.address,
            note=f"{' and '.join(names)}: taken out of the host while it runs, then given back set down",
            phases=(BOTH,) if alone else (),
        )

    def targets(self) -> list[Target]:
        """None: a person says which cable leads to nobody else."""
        return []

    def refuse(self, target: Target, options: Options) -> None:
        """Raise InputError for a port in use, and where the right or the program to take it is not there."""
        if os.geteuid() != 0:
            raise InputError("needs root", where=f"network:{target.label}", remedy="run as root")
        if program() is None:
            raise InputError("ip is not installed", where=f"network:{target.label}", remedy="install iproute2")
        for name in _names(target.label) or ():
            _refuse_in_use(_interface(name))
        if options.block is not None:
            what = "is not for frames, whose size is the interface's own"
            raise InputError(what, where=f"--block {options.block} with network", remedy="leave it out")

    def memory_bytes(self, options: Options) -> int:  # noqa: ARG002 - the same for all
        """A round of frames and what comes of them, each way."""
        return 2 * 3 * AT_A_CALL * LARGEST_FRAME

    def run(self, target: Target, context: Context) -> None:
        """Send and receive until stopped."""
        names = _names(target.label) or ()
        ports = [_interface(name) for name in names]
        for port in ports:
            _refuse_in_use(port)
        remedy = _remedy(names)
        take_into_a_place_of_its_own(*names)
        for name in names:
            if not wait_for_carrier(name, _CARRIER_S):
                raise OSError(f"{name}: no cable is seen; {remedy}")
        near, far = ports[0], ports[-1]
        with Way(near, far, context, target, owner=1) as there, Way(far, near, context, target, owner=2) as back:
            if not all(way.arrives() for way in ((there, back) if len(ports) > 1 else (there,))):
                raise OSError(f"{target.label}: no frame arrives; {remedy}")
            if len(ports) > 1:
                _between(near, far, there, back, context)
            else:
                _around(there, target, context)


def _between(near: NetworkInterface, far: NetworkInterface, there: Way, back: Way, context: Context) -> None:
    """From the first to the second, back, and both ways, by the phases of the first."""
    used = {FROM_HOST: (there,), TO_HOST: (back,), BOTH: (there, back)}
    seen_by_far = {FROM_HOST: TO_HOST, TO_HOST: FROM_HOST, BOTH: BOTH}
    with ThreadPoolExecutor(2) as threads:
        for phase in context.phases():
            moved = list(threads.map(lambda way: way.carry(phase), used[phase.name]))  # noqa: B023 - used up at once
            size, seconds, lost = (
                sum(item.bytes for item in moved),
                max(item.seconds for item in moved),
                sum(item.lost for item in moved),
            )
            for port, direction, end in ((near, phase.name, End.NEAR), (far, seen_by_far[phase.name], End.FAR)):
                if size:
                    context.passed(Target(label=port.name), direction, size, seconds, verified=True, lost=lost, end=end)


def _around(way: Way, target: Target, context: Context) -> None:
    """Out of a port and back into it: both ways of its link at once."""
    for phase in context.phases():
        moved = way.carry(phase)
        if moved.bytes:
            context.passed(target, BOTH, 2 * moved.bytes, moved.seconds, verified=True, lost=moved.lost)


def _names(text: str) -> tuple[str, ...] | None:
    """The interfaces that a text names, which may have hyphens in their names; None where there are none such."""
    if network_interface(text) is not None:
        return (text,)
    parts = text.split("-")
    for at in range(1, len(parts)):
        pair = ("-".join(parts[:at]), "-".join(parts[at:]))
        if pair[0] != pair[1] and all(network_interface(name) is not None for name in pair):
            return pair
    return None


def _interface(name: str) -> NetworkInterface:
    found = network_interface(name)
    if found is None:
        raise InputError("no such network interface", where=name, remedy="look at /sys/class/net")
    return found


def _refuse_in_use(port: NetworkInterface) -> None:
    users = [f"{upper} is made of it" for upper in port.uppers]
    if port.up:
        users.append("it is up")
    if users:
        remedy = f"if nothing needs it: ip link set dev {port.name} down"
        raise InputError(f"is in use ({'; '.join(users)})", where=f"network:{port.name}", remedy=remedy)


def _remedy(names: Sequence[str]) -> str:
    """What may be missing; asked before the interface is taken away."""
    if len(names) > 1:
        return f"a cable has to lead from {names[0]} to {names[1]}"
    offered = offers_loopback(names[0])
    plug = f"put a loopback plug into {names[0]}"
    if isinstance(offered, Unread):
        return f"{plug} (what its driver offers could not be asked: {offered.detail})"
    if offered:
        return f"{plug}, or have its driver send all back: ethtool -K {names[0]} loopback on"
    return f"{plug}, or name two ports: its driver offers no loopback"
