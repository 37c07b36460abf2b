"""Commands to a receiver as Lane Control values, and whether a Lane Status is the answer to one.

Reading is tolerant: reserved bits and the usage model of an answer are not looked at. Writing is strict.
"""

import msgspec

from probe.registers import margin_payloads as payloads
from probe.registers.bits import mask_of
from probe.registers.margining import RECEIVERS, MarginingLaneControl, MarginingLaneStatus

BROADCAST = 0
_CONTROL, _STATUS = MarginingLaneControl, MarginingLaneStatus
SENDER_MASK = mask_of(_STATUS.receiver_number_status, _STATUS.margin_type_status)
ANSWER_MASK = mask_of(_STATUS.receiver_number_status, _STATUS.margin_type_status, _STATUS.margin_payload_status)
CONTROL_MASK = mask_of(_CONTROL.receiver_number, _CONTROL.margin_type, _CONTROL.usage_model, _CONTROL.margin_payload)
_NO_COMMAND, _REPORT, _SET, _STEP_TIMING, _STEP_VOLTAGE = (
    "no command or capability access", "access retimer", "set", "step timing", "step voltage",
)  # fmt: skip


class Command(msgspec.Struct, frozen=True):
    """What is asked of a receiver. `echoed` says that the answer repeats the payload, so it must."""

    receiver: int
    kind: str
    payload: int
    name: str
    echoed: bool = False

    @property
    def control(self) -> int:
        """The Lane Control value."""
        return _CONTROL.pack(
            {
                _CONTROL.receiver_number: RECEIVERS[self.receiver],
                _CONTROL.margin_type: self.kind,
                _CONTROL.margin_payload: self.payload,
            }
        )

    def is_addressed(self, status: int) -> bool:
        """The status comes from the receiver and is of the type that was asked."""
        by = _STATUS.receiver_number_status.raw(status)
        return by == self.receiver and _STATUS.margin_type_status.decode(status) == self.kind

    def is_answered(self, status: int) -> bool:
        """The status answers this command."""
        return self.is_addressed(status) and (not self.echoed or payload_of(status) == self.payload)


def is_step(control: int) -> bool:
    """A Lane Control value asks for a step of margining."""
    return _CONTROL.margin_type.decode(control) in {_STEP_TIMING, _STEP_VOLTAGE}


def payload_of(status: int) -> int:
    """The payload of a Lane Status."""
    return _STATUS.margin_payload_status.raw(status)


NO_COMMAND = Command(BROADCAST, _NO_COMMAND, payloads.NO_COMMAND, "No Command", echoed=True)


def go_to_normal(receiver: int) -> Command:
    """Back to where the receiver samples data."""
    return Command(receiver, _SET, payloads.GO_TO_NORMAL_SETTINGS, "Go to Normal Settings", echoed=True)


def clear_error_log(receiver: int) -> Command:
    """Forget the errors that were counted."""
    return Command(receiver, _SET, payloads.CLEAR_ERROR_LOG, "Clear Error Log", echoed=True)


def error_count_limit(receiver: int, limit: int) -> Command:
    """How many errors a step may have, 0 to 63. Raises ValueError past that."""
    payload = payloads.ErrorCountLimit.pack({
        payloads.ErrorCountLimit.command: "set error count limit", payloads.ErrorCountLimit.limit: limit,
    })  # fmt: skip
    return Command(receiver, _SET, payload, "Set Error Count Limit", echoed=True)


def report(receiver: int, payload: int, name: str) -> Command:
    """Ask for a parameter."""
    return Command(receiver, _REPORT, payload, f"Report {name}")


def step_timing(receiver: int, steps: int, direction: str | None) -> Command:
    """Move the sampling point in time: `right` or `left`, None where the two are not independent. Raises ValueError."""
    payload = payloads.StepTiming.pack({
        payloads.StepTiming.steps: steps, **({payloads.StepTiming.direction: direction} if direction else {}),
    })  # fmt: skip
    return Command(receiver, _STEP_TIMING, payload, "Step Margin, timing")


def step_voltage(receiver: int, steps: int, direction: str | None) -> Command:
    """Move the sampling point in voltage: `up` or `down`, None where not independent. Raises ValueError."""
    payload = payloads.StepVoltage.pack({
        payloads.StepVoltage.steps: steps, **({payloads.StepVoltage.direction: direction} if direction else {}),
    })  # fmt: skip
    return Command(receiver, _STEP_VOLTAGE, payload, "Step Margin, voltage")
