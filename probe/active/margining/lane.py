"""One lane of one port: commands and their answers by the handshake, and how long a receiver took over them.

No Command stands between any two commands: otherwise a repeated one cannot be told from the last. 10 ms is when
software may take a receiver as failed, 100 ms the time for set-up, both from memory of the specification; we note what
is slower, and give up at 150 and 200 ms.
"""

from collections.abc import Callable

import msgspec

from probe.active.asking import Poll, answering, until, write
from probe.active.margining.commands import (
    BROADCAST,
    CONTROL_MASK,
    NO_COMMAND,
    Command,
    clear_error_log,
    go_to_normal,
    is_step,
    payload_of,
)
from probe.active.margining.failures import LinkDisturbed, NotReady, Unmeasured
from probe.active.steps import Protocol, Read, Wait
from probe.registers.bits import all_ones, differing
from probe.registers.margining import MarginingLaneControl, MarginingLaneStatus

ANSWER_S, ANSWER_PATIENCE_S = 0.010, 0.150
SET_UP_S, SET_UP_PATIENCE_S = 0.100, 0.200
POLL_S = 0.0002
_SIZE = MarginingLaneControl.size


class Pace(msgspec.Struct):
    """The longest that a receiver certainly took, seconds: over an answer, and over a set-up."""

    answer_s: float = 0.0
    set_up_s: float = 0.0

    def notes(self) -> tuple[str, ...]:
        """What was slower than it should be, in words."""
        found = []
        if self.answer_s > ANSWER_S:
            found.append(f"answered a command only after {self.answer_s * 1e3:.0f} ms; 10 ms is the time allowed")
        if self.set_up_s > SET_UP_S:
            found.append(f"took {self.set_up_s * 1e3:.0f} ms to set up a step; 100 ms is the time allowed")
        return tuple(found)


class LanePort:
    """A lane of a port's Lane Margining capability at `base` of the function at `address`."""

    def __init__(self, address: str, base: int, lane: int) -> None:
        self.address = address
        self.lane = lane
        self.pace = Pace()
        self.moved = False
        """A step was asked for, and going back to normal was not acknowledged since."""
        self._idle = False
        """No Command was the last, and was answered."""
        self._unheard = False
        """The last command was not answered, so that Lane Status may still show an answer from before it."""
        self._written: int | None = None
        """The last command, which has to stand in Lane Control still; None where none was written yet."""
        self._control = base + MarginingLaneControl.offset + lane * MarginingLaneControl.stride
        self._status = Read(
            address, base + MarginingLaneStatus.offset + lane * MarginingLaneStatus.stride, MarginingLaneStatus.size
        )

    def ask(self, command: Command, patience_s: float = ANSWER_PATIENCE_S) -> Protocol[int]:
        """The payload that answers a command, after No Command.

        Raises Unmeasured, CannotWrite; LinkDisturbed, also where somebody else wrote Lane Control meanwhile; NotReady
        where another program has left a step of margining there: two masters of one register.
        """
        yield from self.no_command(patience_s)
        return (yield from self._tell(command, patience_s))

    def no_command(self, patience_s: float = ANSWER_PATIENCE_S) -> Protocol[None]:
        """Ask for nothing, and see that; unless nothing was asked for last. Raises as `ask`."""
        if not self._idle:
            yield from self._tell(NO_COMMAND, patience_s)

    def step(self, command: Command) -> Protocol[int]:
        """The first payload that answers a Step Margin command after No Command, set up or not. Raises as `ask`."""
        self.moved = True
        return (yield from self._tell(command, ANSWER_PATIENCE_S))

    def set_up(self, command: Command, over: Callable[[int], bool]) -> Protocol[int]:
        """The first payload that says that the set-up of a step is over. Raises Unmeasured, LinkDisturbed."""

        def wanted(status: int) -> bool:
            return _gone(status) or (command.is_answered(status) and over(payload_of(status)))

        found = yield from until(self._status, wanted, SET_UP_PATIENCE_S, POLL_S)
        value = self._present(found)
        if not found.met:
            raise Unmeasured(f"was still setting up {SET_UP_PATIENCE_S * 1e3:.0f} ms after it answered {command.name}")
        self.pace.set_up_s = max(self.pace.set_up_s, found.at_least_s)
        return payload_of(value)

    def answer(self, command: Command, patience_s: float = ANSWER_PATIENCE_S) -> Protocol[int]:
        """The payload with which a command is, or goes on being, answered. Raises Unmeasured, LinkDisturbed."""

        def wanted(status: int) -> bool:
            return _gone(status) or command.is_answered(status)

        found = yield from until(self._status, wanted, patience_s, POLL_S)
        value = self._present(found)
        if not found.met:
            raise Unmeasured(_no_answer(command, value, patience_s))
        self.pace.answer_s = max(self.pace.answer_s, found.at_least_s)
        return payload_of(value)

    def normal(self, receiver: int, patience_s: float = ANSWER_PATIENCE_S) -> Protocol[None]:
        """Go to Normal Settings, Clear Error Log, No Command. Raises as `ask`."""
        yield from self.ask(go_to_normal(receiver), patience_s)
        self.moved = False
        yield from self.ask(clear_error_log(receiver), patience_s)
        yield from self.no_command(patience_s)

    def quiet(self) -> Protocol[None]:
        """The same to every receiver behind this port, whether it answers or not. Raises LinkDisturbed, CannotWrite.

        Nothing to a lane that was not written to: it is another program's, or was never reached.
        """
        if self._written is None:
            return
        standing = yield from answering(self.address, self._control, _SIZE)
        if standing == NO_COMMAND.control != self._written:
            self.moved = False  # the link went down, which takes receivers back and leaves their control so
        if self._unheard:
            yield Wait(ANSWER_PATIENCE_S)  # whoever was stopped may not have waited for the answer to its last command
        normal, clear = go_to_normal(BROADCAST), clear_error_log(BROADCAST)
        for command in (NO_COMMAND, normal, NO_COMMAND, clear, NO_COMMAND):
            try:
                yield from self._write(command)
                yield from self._answered(command, ANSWER_PATIENCE_S)
            except Unmeasured:
                continue
            if command is normal:
                self.moved = False

    def _tell(self, command: Command, patience_s: float) -> Protocol[int]:
        yield from self._check_ours()
        yield from self._write(command)
        return (yield from self._answered(command, patience_s))

    def _check_ours(self) -> Protocol[None]:
        standing = yield from answering(self.address, self._control, _SIZE)
        if standing is None:
            raise LinkDisturbed(f"{self.address} no longer answers")
        if self._written is None and is_step(standing):
            what = f"stands at a step of margining ({standing:04x}h) that another program has left or is taking"
            raise NotReady(f"Lane Control of lane {self.lane} of {self.address} {what}")
        if self._written is not None and differing(standing, self._written, CONTROL_MASK):
            what = f"holds {standing:04x}h, where {self._written:04x}h was written"
            why = "the link went down, or somebody else wrote it"
            raise LinkDisturbed(f"Lane Control of lane {self.lane} of {self.address} {what}: {why}")

    def _write(self, command: Command) -> Protocol[None]:
        self._idle = False
        yield from write(self.address, self._control, _SIZE, command.control, CONTROL_MASK)
        self._written = command.control

    def _answered(self, command: Command, patience_s: float) -> Protocol[int]:
        if self._unheard:
            yield Wait(ANSWER_PATIENCE_S)
        self._unheard = True
        payload = yield from self.answer(command, patience_s)
        self._unheard = False
        self._idle = command is NO_COMMAND
        return payload

    def _present(self, found: Poll) -> int:
        if found.value is None or _gone(found.value):
            raise LinkDisturbed(f"{self.address} no longer answers")
        return found.value


def _gone(status: int) -> bool:
    return status == all_ones(_SIZE)


def _no_answer(command: Command, status: int, patience_s: float) -> str:
    within = f"within {patience_s * 1e3:.0f} ms"
    if command.echoed and command.is_addressed(status):
        return f"answered {command.name} with payload {payload_of(status):02x}h in place of {command.payload:02x}h"
    return f"did not answer {command.name} {within}; Lane Status is {status:04x}h"
