"""How a client of lane margining has to behave, checked at each command it writes."""

from collections.abc import Iterator, Mapping

from fake_sysfs.hardware.kernel import EndFiles
from fake_sysfs.hardware.lane import CLEAR, NO_COMMAND, NORMAL, REPORT, SET, TIMING, VOLTAGE, Asked, Lane
from fake_sysfs.hardware.link import Link
from fake_sysfs.hardware.mistakes import Mistakes
from fake_sysfs.hardware.receiver import Receiver
from fake_sysfs.hardware.space import LINK_CONTROL, LINK_CONTROL_2, LINK_STATUS, POWER, Space

_WIDTH_DISABLE, _SPEED_DISABLE, _ASPM = 0x0200, 0x0020, 0x0003
_LINK_BITS, _SPEED_BITS = 0x0223, 0x002F
"""ASPM, Retrain Link, Width Disable; Target Link Speed, Speed Disable: all that a test may change."""
LEAST_GTS = 16.0
_FIRST_REPORT, _LAST_REPORT = 0x88, 0x90
_DOWNSTREAM = frozenset({1, 2, 3, 4, 5})
_COMPONENT = 6


class Conduct:
    """Looks at each command to a lane of a link, and at the bits that have an order."""

    def __init__(self, link: Link, mistakes: Mistakes, files: Mapping[str, EndFiles]) -> None:
        self._link = link
        self._mistakes = mistakes
        self._files = files

    def command(self, end: Space, lane: Lane, control: int, size: int) -> None:
        """A write to Lane Control, before the lane takes it."""
        asked = Asked.of(control)
        where = f"{end.address} lane {lane.number}, {control:04x}h"
        before = Asked.of(lane.control)
        if size != 2:  # noqa: PLR2004 - the register's two bytes
            self._mistakes.note("reserved", where, f"Lane Control was written with {size} bytes")
        if asked.reserved or asked.usage:
            self._mistakes.note("reserved", where, "a reserved bit or the usage model is set")
        if not asked.is_idle and not before.is_idle:
            self._mistakes.note("order", where, f"a command follows another ({lane.control:04x}h) without No Command")
        if not asked.is_idle and before.is_idle and lane.is_waited_for:
            self._mistakes.note("order", where, "a command was written before No Command was answered")
        if lane.is_given_up_early:
            self._mistakes.note("patience", where, f"{lane.control:04x}h was given up before its time was over")
        if lane.number >= self._link.width and not asked.is_idle and asked.kind != SET:
            self._mistakes.note("not offered", where, "the lane is not a part of the link")
        for kind, what in self._faults(end, asked):
            self._mistakes.note(kind, where, what)

    def _faults(self, end: Space, asked: Asked) -> Iterator[tuple[str, str]]:
        own = {_COMPONENT} if end is self._link.component else _DOWNSTREAM
        if asked.kind == NO_COMMAND:
            if asked.receiver or asked.payload != 0x9C:  # noqa: PLR2004 - the one payload it has
                yield "reserved", "No Command has payload 9Ch and receiver 0"
        elif asked.receiver == 0:
            if asked.kind != SET or asked.payload not in {NORMAL, CLEAR}:
                yield "not offered", "broadcast takes No Command, Go to Normal Settings and Clear Error Log only"
        elif asked.receiver not in own:
            yield "not offered", f"receiver {asked.receiver} is not asked through this port"
        elif (receiver := self._link.receivers.get(asked.receiver)) is None:
            yield "not offered", f"there is no receiver {asked.receiver}"
        else:
            yield from self._to_one(end, asked, receiver)

    def _to_one(self, end: Space, asked: Asked, receiver: Receiver) -> Iterator[tuple[str, str]]:
        if asked.kind == SET:
            if asked.payload not in {NORMAL, CLEAR} and asked.payload >> 6 != 3:  # noqa: PLR2004 - C0h and a limit
                yield "reserved", "no such Set command"
        elif asked.kind == REPORT:
            if not _FIRST_REPORT <= asked.payload <= _LAST_REPORT:
                yield "reserved", "no such report"
        elif asked.kind in {TIMING, VOLTAGE}:
            yield from self._step(end, asked, receiver)
        else:
            yield "reserved", f"Margin Type {asked.kind} is not ours to send"

    def _step(self, end: Space, asked: Asked, receiver: Receiver) -> Iterator[tuple[str, str]]:
        timing = asked.kind == TIMING
        if timing and asked.payload & 0x80:
            yield "reserved", "bit 7 of a timing step is reserved"
        independent = receiver.independent_sides if timing else receiver.independent_levels
        if asked.other_way and not independent:
            yield "reserved", "the direction is reserved where the two are not independent"
        if not timing and not receiver.voltage:
            yield "not offered", "voltage is not supported"
        most = receiver.timing_steps if timing else receiver.voltage_steps
        if not 1 <= asked.steps <= most:
            yield "not offered", f"step {asked.steps} of {most}"
        for what in self._missing():
            yield "precondition", what
        yield from self._at_once(end, asked, receiver)

    def _missing(self) -> Iterator[str]:
        link = self._link
        for end in (link.port, link.component):
            control, control_2 = end.get(end.express + LINK_CONTROL, 2), end.get(end.express + LINK_CONTROL_2, 2)
            power = end.at(POWER)
            if end.gone:
                continue
            if not control & _WIDTH_DISABLE:
                yield f"{end.address}: Hardware Autonomous Width Disable is clear"
            if not control_2 & _SPEED_DISABLE:
                yield f"{end.address}: Hardware Autonomous Speed Disable is clear"
            if control & _ASPM:
                yield f"{end.address}: ASPM is on"
            if power is not None and end.get(power + 4, 2) & 3:
                yield f"{end.address} is not in D0"
            if self._files[end.address].read("power/control") not in {"on", None}:
                yield f"{end.address}: power/control is not on"
        if link.speed_gts < LEAST_GTS:
            yield f"the link runs at {link.speed_gts} GT/s"
        if link.is_training or not link.up:
            yield "the link is not in L0"

    def _at_once(self, end: Space, asked: Asked, receiver: Receiver) -> Iterator[tuple[str, str]]:
        moved = [
            (address, lane.running.asked.receiver, lane.running.receiver)
            for address, lanes in self._link.lanes.items()
            for lane in lanes
            if lane.is_moved and lane.running is not None
        ]
        same = sum(1 for address, number, _ in moved if address == end.address and number == asked.receiver)
        if same > receiver.max_lanes:
            yield "lanes at once", f"{same + 1} lanes of a receiver that allows {receiver.max_lanes + 1}"
        if any(address != end.address for address, _, _ in moved):
            yield "both ends", "both ends are margined at once"
        others = [item for address, number, item in moved if (address, number) != (end.address, asked.receiver)]
        if others and not (receiver.independent_sampler and all(item.independent_sampler for item in others)):
            yield "lanes at once", "two receivers at once without independent samplers"

    def changed(self, end: Space, before: dict[str, int]) -> None:
        """Bits that turn autonomous changes off: the component's first when set, the port's first when cleared."""
        if end.gone:
            return  # by what it was told to do; it reads all ones, which nobody wrote
        link = self._link
        other = link.component if end is link.port else link.port
        for name, at, mask in (("Width", LINK_CONTROL, _WIDTH_DISABLE), ("Speed", LINK_CONTROL_2, _SPEED_DISABLE)):
            now = end.get(end.express + at, 2) & mask
            was = before[name] & mask
            theirs = other.get(other.express + at, 2) & mask
            if now and not was and end is link.port and not theirs and other.can_write(other.express + at, mask):
                self._mistakes.note("order", end.address, f"{name} Disable was set at the port first")
            if was and not now and end is link.component and theirs:
                self._mistakes.note("order", end.address, f"{name} Disable was cleared at the component first")

        for what, at, mask in (
            ("Link Control", LINK_CONTROL, _LINK_BITS),
            ("Link Control 2", LINK_CONTROL_2, _SPEED_BITS),
        ):
            changed = (end.get(end.express + at, 2) ^ before[what]) & ~mask
            if changed:
                self._mistakes.note("elsewhere", end.address, f"bits {changed:04x}h of {what} were changed")

    def controls(self, end: Space) -> dict[str, int]:
        """The registers that `changed` compares."""
        control, control_2 = end.get(end.express + LINK_CONTROL, 2), end.get(end.express + LINK_CONTROL_2, 2)
        return {"Width": control, "Speed": control_2, "Link Control": control, "Link Control 2": control_2}


def harms_status(end: Space, offset: int, data: bytes) -> bool:
    """A write that reaches Link Status with ones, where a written 1 clears."""
    status = end.express + LINK_STATUS
    return any(offset <= at < offset + len(data) and data[at - offset] for at in (status, status + 1))
