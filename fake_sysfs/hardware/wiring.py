"""Reads and writes of one end's configuration space, led to the link behind it: lanes, trainings, and its conduct."""

from collections.abc import Iterator

from fake_sysfs.hardware.conduct import LEAST_GTS, Conduct, harms_status
from fake_sysfs.hardware.link import Link
from fake_sysfs.hardware.mistakes import Mistakes
from fake_sysfs.hardware.space import LINK_CONTROL, LINK_CONTROL_2, MARGINING, Space

_RETRAIN_BIT = 0x20
_CONTROL, _STATUS, _STRIDE = 8, 10, 4


class WiredEnd:
    """One end of a link as its configuration space shows it."""

    def __init__(self, space: Space, link: Link, conduct: Conduct, mistakes: Mistakes) -> None:
        self._space = space
        self._link = link
        self._conduct = conduct
        self._mistakes = mistakes
        self._margining = space.at(MARGINING)
        self._lanes = link.lanes.get(space.address, [])
        self.show(0, len(space.data))

    def show(self, offset: int, size: int) -> None:
        """Have the registers within these bytes say what is so now."""
        self._link.settle()
        for number in self._reached(offset, size):
            lane = self._lanes[number]
            at = self._lane_at(number)
            self._space.put(at, 2, lane.control)
            self._space.put(at + _STATUS - _CONTROL, 2, lane.status())

    def write(self, offset: int, data: bytes) -> None:
        """Take a write: what it changes, what it sets off, and what is wrong with it."""
        space, link = self._space, self._link
        self.show(offset, len(data))
        before = self._conduct.controls(space)
        self._note_faults(offset, data)
        commands = list(self._commands(offset, data))
        space.write(offset, data)
        for number, control in commands:
            self._command(number, control, len(data))
        retrains = self._sets_retrain(offset, data)
        space.change(space.express + LINK_CONTROL, 1, _RETRAIN_BIT, 0)
        self._conduct.changed(space, before)
        if retrains and space is link.port:
            link.retrain()

    def _reached(self, offset: int, size: int) -> Iterator[int]:
        """The lanes whose registers lie within these bytes."""
        if self._margining is None:
            return iter(())
        first = (offset - self._margining - _CONTROL) // _STRIDE
        last = (offset + size - 1 - self._margining - _CONTROL) // _STRIDE
        return iter(range(max(0, first), min(len(self._lanes) - 1, last) + 1))

    def _commands(self, offset: int, data: bytes) -> Iterator[tuple[int, int]]:
        """The lanes whose control a write reaches, and what it would become, reserved bits and all."""
        for number in self._reached(offset, len(data)):
            at = self._lane_at(number)
            control = bytearray(self._space.read(at, 2))
            for index in range(2):
                if offset <= at + index < offset + len(data):
                    control[index] = data[at + index - offset]
            if offset < at + 2 and at < offset + len(data):
                yield number, int.from_bytes(control, "little")

    def _lane_at(self, number: int) -> int:
        return (self._margining or 0) + _CONTROL + _STRIDE * number

    def _command(self, number: int, control: int, size: int) -> None:
        lane, link = self._lanes[number], self._link
        self._conduct.command(self._space, lane, control, size)
        begun = lane.steps_begun
        heard = number < link.width and link.up and not link.is_training and link.speed_gts >= LEAST_GTS
        lane.write(control, link.bits_s, heard=heard)
        if lane.steps_begun > begun:
            link.step_begun()

    def _sets_retrain(self, offset: int, data: bytes) -> bool:
        at = self._space.express + LINK_CONTROL
        return offset <= at < offset + len(data) and bool(data[at - offset] & _RETRAIN_BIT)

    def _note_faults(self, offset: int, data: bytes) -> None:
        """Writes that no test of a link has to make, or that do harm beside what they are for."""
        address = self._space.address
        if harms_status(self._space, offset, data):
            self._mistakes.note("reserved", address, "a write reaches Link Status with ones")
        allowed = {self._space.express + at for at in (LINK_CONTROL, LINK_CONTROL + 1, LINK_CONTROL_2)}
        allowed |= {self._lane_at(number) + byte for number in range(len(self._lanes)) for byte in (0, 1)}
        for at in range(offset, offset + len(data)):
            if at not in allowed:
                self._mistakes.note("elsewhere", address, f"a byte written at {at:03x}h")
