"""What a receiver says of itself, and what its numbers mean in unit intervals, volts and bits."""

import msgspec

from probe.active.margining.commands import report
from probe.active.margining.failures import Unmeasured
from probe.active.margining.lane import LanePort
from probe.active.steps import Protocol
from probe.registers import margin_payloads as payloads
from probe.registers.margin_payloads import MarginControlCapabilities
from probe.registers.table_language import Field

_OF_64 = 64
_COUNT_SCALE = 3.0


class Capabilities(msgspec.Struct, frozen=True, kw_only=True):
    """One receiver's parameters, as one of its lanes reports them; None where not asked for or not told.

    Offsets are at the last step: per cent of a unit interval, hundredths of a volt. `rate` says that (v + 1) of 64 bits
    are tested; else the receiver reports how many were.
    """

    voltage: bool
    independent_levels: bool
    independent_sides: bool
    rate: bool
    independent_sampler: bool
    timing_steps: int
    timing_offset_percent: int | None = None
    voltage_steps: int | None = None
    voltage_offset_hundredths: int | None = None
    timing_rate: int | None = None
    voltage_rate: int | None = None
    lanes_at_once: int = 1

    def ui(self, steps: int) -> float | None:
        """The nominal offset of a step, unit intervals; None where the range is not told."""
        if self.timing_offset_percent is None or not self.timing_steps:
            return None
        return steps * self.timing_offset_percent / (100 * self.timing_steps)

    def volts(self, steps: int) -> float | None:
        """The nominal offset of a step, volts; None where the range is not told."""
        if self.voltage_offset_hundredths is None or not self.voltage_steps:
            return None
        return steps * self.voltage_offset_hundredths / (100 * self.voltage_steps)


def bits_by_rate(speed_gts: float, seconds: float, rate: int) -> float:
    """Bits tested in that time where (rate + 1) of 64 bits are."""
    return speed_gts * 1e9 * seconds * (rate + 1) / _OF_64


def bits_by_count(count: int) -> float | None:
    """The least number of bits that a count stands for: 3 log2 of it, rounded down. None for a count of none."""
    return float(2.0 ** (count / _COUNT_SCALE)) if count else None


def read_capabilities(lane: LanePort, receiver: int) -> Protocol[Capabilities]:
    """Ask a receiver for its parameters. Raises Unmeasured, LinkDisturbed, CannotWrite."""
    flags = yield from lane.ask(report(receiver, payloads.REPORT_CAPABILITIES, MarginControlCapabilities.name))
    voltage = bool(MarginControlCapabilities.voltage_supported.decode(flags))
    rate = MarginControlCapabilities.sample_reporting_method.decode(flags) == "rate"

    def number(payload: int, field: Field[int], *, wanted: bool = True) -> Protocol[int | None]:
        if not wanted:
            return None
        return field.raw((yield from lane.ask(report(receiver, payload, field.name))))

    timing_steps = yield from number(payloads.REPORT_TIMING_STEPS, payloads.TimingSteps.value)
    if not timing_steps:
        raise Unmeasured("reports no timing steps")
    timing_offset = yield from number(payloads.REPORT_MAX_TIMING_OFFSET, payloads.MaxTimingOffset.value)
    voltage_steps = yield from number(payloads.REPORT_VOLTAGE_STEPS, payloads.VoltageSteps.value, wanted=voltage)
    voltage_offset = yield from number(
        payloads.REPORT_MAX_VOLTAGE_OFFSET, payloads.MaxVoltageOffset.value, wanted=voltage
    )
    voltage_rate = yield from number(
        payloads.REPORT_SAMPLING_RATE_VOLTAGE, payloads.SamplingRateVoltage.value, wanted=voltage and rate
    )
    timing_rate = yield from number(
        payloads.REPORT_SAMPLING_RATE_TIMING, payloads.SamplingRateTiming.value, wanted=rate
    )
    lanes = yield from number(payloads.REPORT_MAX_LANES, payloads.MaxLanes.value)
    yield from lane.no_command()
    return Capabilities(
        voltage=voltage and bool(voltage_steps),
        independent_levels=bool(MarginControlCapabilities.independent_up_down_voltage.decode(flags)),
        independent_sides=bool(MarginControlCapabilities.independent_left_right_timing.decode(flags)),
        rate=rate,
        independent_sampler=bool(MarginControlCapabilities.independent_error_sampler.decode(flags)),
        timing_steps=timing_steps,
        timing_offset_percent=timing_offset or None,
        voltage_steps=voltage_steps,
        voltage_offset_hundredths=voltage_offset or None,
        timing_rate=timing_rate,
        voltage_rate=voltage_rate,
        lanes_at_once=(lanes or 0) + 1,
    )
