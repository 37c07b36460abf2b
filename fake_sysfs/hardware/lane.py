"""One lane of one port as a state machine: a control that is written, a status that answers when its time has come."""

import math
import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from fake_sysfs.hardware.receiver import Receiver

AT_RESET = 0x9C38
_DEFAULT_LIMIT = 4
_SATURATED = 63
_FAILED_AFTER_S, _GIVEN_UP_AFTER_S = 0.010, 0.150
_FAILED, _SET_UP, _MARGINING, _NAK = 0 << 6, 1 << 6, 2 << 6, 3 << 6
NO_COMMAND, REPORT, SET, TIMING, VOLTAGE = 7, 1, 2, 3, 4
NORMAL, CLEAR = 0x0F, 0x55
_CLOSE_TO_ALL = 0.5


@dataclass(frozen=True, slots=True)
class Asked:
    """A Lane Control value, taken apart."""

    receiver: int
    kind: int
    usage: int
    reserved: int
    payload: int

    @classmethod
    def of(cls, control: int) -> "Asked":
        """Bits 2:0, 5:3, 6, 7, 15:8."""
        return cls(control & 7, control >> 3 & 7, control >> 6 & 1, control >> 7 & 1, control >> 8 & 0xFF)

    @property
    def is_idle(self) -> bool:
        """No Command."""
        return self.kind == NO_COMMAND

    @property
    def steps(self) -> int:
        """Of a Step Margin command."""
        return self.payload & (0x3F if self.kind == TIMING else 0x7F)

    @property
    def other_way(self) -> bool:
        """Left, or down."""
        return bool(self.payload >> (6 if self.kind == TIMING else 7) & 1)


class Running:
    """A step that a receiver is at."""

    def __init__(  # noqa: PLR0913 - what a step is
        self, asked: Asked, receiver: Receiver, *, lane: int, began: float, bits_s: float, limit: int
    ) -> None:
        self.asked = asked
        self.receiver = receiver
        self.fault = receiver.fault_of(lane)
        self.limit = limit
        self._set_up_at = began + self.fault.set_up_s
        rate = receiver.timing_rate if asked.kind == TIMING else receiver.voltage_rate
        self._bits_s = bits_s * (rate + 1) / 64
        self._ratio = max(receiver.eye_of(lane).ratio(way, asked.steps) for way in self._ways())
        chance = random.Random(f"{lane} {asked} {began}")  # noqa: S311 - a model
        self._errors_at = [self._gap(chance)]
        while len(self._errors_at) <= _SATURATED:
            self._errors_at.append(self._errors_at[-1] + self._gap(chance))

    def _ways(self) -> tuple[str, ...]:
        timing = self.asked.kind == TIMING
        both = ("right", "left") if timing else ("up", "down")
        independent = self.receiver.independent_sides if timing else self.receiver.independent_levels
        return (both[self.asked.other_way],) if independent else both

    def _gap(self, chance: random.Random) -> float:
        """Bits to the next error."""
        if self._ratio == 0.0:
            return math.inf
        return 1.0 if self._ratio > _CLOSE_TO_ALL else chance.expovariate(self._ratio)

    def bits(self, time: float) -> float:
        """Bits tested until then; a receiver stops at the error that is one too many."""
        return min(self._passed(time), self._errors_at[self.limit])

    def _passed(self, time: float) -> float:
        return max(0.0, time - self._set_up_at) * self._bits_s

    def payload(self, time: float) -> int:
        """What the receiver says of the step."""
        if self.fault.nak_from is not None and self.asked.steps >= self.fault.nak_from:
            return _NAK
        if self.fault.stuck_in_set_up or time < self._set_up_at:
            return _SET_UP
        errors = sum(1 for at in self._errors_at if at <= self._passed(time))
        if errors > self.limit:
            return _FAILED | min(self.limit + 1, _SATURATED)
        return _MARGINING | min(errors + self.fault.errors_within, _SATURATED)

    def is_moved(self, time: float) -> bool:
        """The receiver is away from where it samples data."""
        return self.payload(time) >> 6 in {_SET_UP >> 6, _MARGINING >> 6}


class Lane:
    """One lane. `receivers` are those that are asked through this port."""

    def __init__(self, number: int, receivers: Mapping[int, Receiver], now: Callable[[], float]) -> None:
        self.number = number
        self.control = AT_RESET
        self.running: Running | None = None
        self.limits: dict[int, int] = {}
        self.answered = True
        self.steps_begun = 0
        self._receivers = receivers
        self._now = now
        self._status = AT_RESET
        self._due: tuple[float, int] | None = None
        self._written_at = 0.0
        self._frozen = False

    @property
    def is_waited_for(self) -> bool:
        """What was written last is seen not to be answered, and software may not yet take the receiver as failed."""
        shown = Asked.of(self.status()).kind == Asked.of(self.control).kind
        return not shown and self._now() < self._written_at + _FAILED_AFTER_S

    @property
    def is_given_up_early(self) -> bool:
        """What was written last would still be answered within the time in which to wait for it."""
        self._settle()
        return self._due is not None and self._due[0] < self._written_at + _GIVEN_UP_AFTER_S

    def write(self, control: int, bits_s: float, *, heard: bool = True) -> None:
        """Take a command; its answer comes when its time has come, if the lane is a part of the link."""
        self._settle()
        asked, before = Asked.of(control), Asked.of(self.control)
        self.control = control
        if asked.is_idle and before.is_idle and self.answered:
            return  # nothing changes, so nothing has to answer
        receiver = self._receivers.get(asked.receiver)
        fault = (receiver or next(iter(self._receivers.values()))).fault_of(self.number)
        self.answered = False
        self._written_at = self._now()
        self._frozen = False
        if (
            not heard
            or fault.silent
            or (fault.dies_after_steps is not None and self.steps_begun >= fault.dies_after_steps)
        ):
            self._due = None
            return
        self._due = (self._now() + fault.answer_s, self._answer(asked, receiver, bits_s, fault.answer_s))

    def status(self) -> int:
        """Lane Status as it stands."""
        self._settle()
        asked = Asked.of(self.control)
        if self.running is not None and self.answered and asked == self.running.asked and not self._frozen:
            self._status = self._composed(asked, self.running.payload(self._now()))
        return self._status

    def freeze(self) -> None:
        """The link is no longer in L0: what runs ends, and the last status stays."""
        self._status = self.status()
        self.running, self._due, self._frozen = None, None, True

    def reset(self) -> None:
        """The link went down."""
        self.control, self._status = AT_RESET, AT_RESET
        self.running, self._due, self.answered, self._frozen = None, None, True, False
        self.limits.clear()

    @property
    def is_moved(self) -> bool:
        """A step runs."""
        return self.running is not None and self.running.is_moved(self._now())

    def _settle(self) -> None:
        if self._due is not None and self._now() >= self._due[0]:
            self._status, self._due, self.answered = self._due[1], None, True

    def _composed(self, asked: Asked, payload: int) -> int:
        receiver = self._receivers.get(asked.receiver)
        fault = (receiver or next(iter(self._receivers.values()))).fault_of(self.number)
        number = fault.answers_as if fault.answers_as is not None and not asked.is_idle else asked.receiver
        kind = fault.answers_type if fault.answers_type is not None and not asked.is_idle else asked.kind
        return payload << 8 | (0xC0 if fault.dirty_reserved else 0) | kind << 3 | number

    def _answer(self, asked: Asked, receiver: Receiver | None, bits_s: float, answer_s: float) -> int:
        if asked.kind == REPORT and receiver is not None:
            dirt = receiver.fault_of(self.number).dirty_reserved
            return self._composed(asked, self._report(asked.payload, receiver) | self._unused(asked.payload) * dirt)
        if asked.kind == SET:
            return self._composed(asked, self._set(asked, receiver))
        if asked.kind in {TIMING, VOLTAGE} and receiver is not None:
            return self._composed(asked, self._step(asked, receiver, bits_s, answer_s))
        return self._composed(asked, asked.payload)

    def _step(self, asked: Asked, receiver: Receiver, bits_s: float, answer_s: float) -> int:
        self.steps_begun += 1
        most = receiver.timing_steps if asked.kind == TIMING else receiver.voltage_steps
        if asked.steps > most or (asked.kind == VOLTAGE and not receiver.voltage):
            return _NAK
        limit = self.limits.get(asked.receiver, _DEFAULT_LIMIT)
        began = self._now() + answer_s
        self.running = Running(asked, receiver, lane=self.number, began=began, bits_s=bits_s, limit=limit)
        return self.running.payload(began)

    def _set(self, asked: Asked, receiver: Receiver | None) -> int:
        if asked.payload == NORMAL:
            self.running = None
        elif asked.payload >> 6 == 3 and receiver is not None:  # noqa: PLR2004 - C0h and a limit
            fault = receiver.fault_of(self.number)
            limit = asked.payload & 0x3F if fault.registers_limit is None else fault.registers_limit
            self.limits[asked.receiver] = limit
            return 0xC0 | limit
        return asked.payload

    def _report(self, payload: int, receiver: Receiver) -> int:
        flags = (
            receiver.voltage, receiver.independent_levels, receiver.independent_sides, receiver.reports_rate,
            receiver.independent_sampler,
        )  # fmt: skip
        told = {
            0x88: sum(1 << bit for bit, value in enumerate(flags) if value), 0x89: receiver.voltage_steps,
            0x8A: receiver.timing_steps, 0x8B: receiver.timing_offset, 0x8C: receiver.voltage_offset,
            0x8D: receiver.voltage_rate, 0x8E: receiver.timing_rate, 0x8F: self._samples(receiver),
            0x90: receiver.max_lanes,
        }  # fmt: skip
        return told.get(payload, 0)

    def _unused(self, payload: int) -> int:
        """The bits of a report that mean nothing."""
        return {0x88: 0xE0, 0x8A: 0xC0, 0x8D: 0xC0, 0x8E: 0xC0, 0x90: 0xE0}.get(payload, 0x80)

    def _samples(self, receiver: Receiver) -> int:
        forgets = receiver.fault_of(self.number).counts_nothing
        bits = 0.0 if self.running is None or forgets else self.running.bits(self._now())
        return min(127, math.floor(3 * math.log2(bits))) if bits >= 1 else 0
