"""Margin Payloads of lane margining: what a command asks and an answer says, as tables. Base Specification 6.x, 4.2.18.

A payload is one byte, so each is a Register of one byte. Sources: the kernel patch "PCIe Lane Margining at Receiver"
(2026, citing Base 7.0, tables 4-76 and 4-77), the Efinix PCIe controller guide, the Microchip NVMe 5016 pages; where
they are silent, from memory.
"""

from probe.registers.table_language import RO, RW, Register, coded, flag, names, number

NO_COMMAND = 0x9C
GO_TO_NORMAL_SETTINGS = 0x0F
CLEAR_ERROR_LOG = 0x55

REPORT_CAPABILITIES = 0x88
REPORT_VOLTAGE_STEPS = 0x89
REPORT_TIMING_STEPS = 0x8A
REPORT_MAX_TIMING_OFFSET = 0x8B
REPORT_MAX_VOLTAGE_OFFSET = 0x8C
REPORT_SAMPLING_RATE_VOLTAGE = 0x8D
REPORT_SAMPLING_RATE_TIMING = 0x8E
REPORT_SAMPLE_COUNT = 0x8F
REPORT_MAX_LANES = 0x90


class MarginControlCapabilities(
    Register, name="Margin Control Capabilities", offset=0, size=1, section="4.2.18.1", reserved=((7, 5),)
):
    independent_error_sampler = flag("Independent Error Sampler", 4, RO)
    sample_reporting_method = coded("Sample Reporting Method", 3, 3, RO, names({0: "count", 1: "rate"}))
    independent_left_right_timing = flag("Independent Left and Right Timing", 2, RO)
    independent_up_down_voltage = flag("Independent Up and Down Voltage", 1, RO)
    voltage_supported = flag("Voltage Supported", 0, RO)


class VoltageSteps(Register, name="M_NumVoltageSteps", offset=0, size=1, section="4.2.18.1", reserved=((7, 7),)):
    value = number("M_NumVoltageSteps", 6, 0, RO)


class TimingSteps(Register, name="M_NumTimingSteps", offset=0, size=1, section="4.2.18.1", reserved=((7, 6),)):
    value = number("M_NumTimingSteps", 5, 0, RO)


class MaxTimingOffset(Register, name="M_MaxTimingOffset", offset=0, size=1, section="4.2.18.1", reserved=((7, 7),)):
    value = number("M_MaxTimingOffset", 6, 0, RO)


class MaxVoltageOffset(Register, name="M_MaxVoltageOffset", offset=0, size=1, section="4.2.18.1", reserved=((7, 7),)):
    value = number("M_MaxVoltageOffset", 6, 0, RO)


class SamplingRateVoltage(
    Register, name="M_SamplingRateVoltage", offset=0, size=1, section="4.2.18.1", reserved=((7, 6),)
):
    value = number("M_SamplingRateVoltage", 5, 0, RO)


class SamplingRateTiming(
    Register, name="M_SamplingRateTiming", offset=0, size=1, section="4.2.18.1", reserved=((7, 6),)
):
    value = number("M_SamplingRateTiming", 5, 0, RO)


class SampleCount(Register, name="M_SampleCount", offset=0, size=1, section="4.2.18.1", reserved=((7, 7),)):
    value = number("M_SampleCount", 6, 0, RO)


class MaxLanes(Register, name="M_MaxLanes", offset=0, size=1, section="4.2.18.1", reserved=((7, 5),)):
    value = number("M_MaxLanes", 4, 0, RO)


class ErrorCountLimit(Register, name="Set Error Count Limit", offset=0, size=1, section="4.2.18.1"):
    command = coded("Command", 7, 6, RW, names({3: "set error count limit"}))
    limit = number("Error Count Limit", 5, 0, RW)


class StepTiming(Register, name="Step Margin, timing", offset=0, size=1, section="4.2.18.1", reserved=((7, 7),)):
    direction = coded("Direction", 6, 6, RW, names({0: "right", 1: "left"}))
    steps = number("Steps", 5, 0, RW)


class StepVoltage(Register, name="Step Margin, voltage", offset=0, size=1, section="4.2.18.1"):
    direction = coded("Direction", 7, 7, RW, names({0: "up", 1: "down"}))
    steps = number("Steps", 6, 0, RW)


class StepAnswer(Register, name="Step Margin Execution Status", offset=0, size=1, section="4.2.18.1"):
    state = coded("State", 7, 6, RO, names({0: "too many errors", 1: "set-up", 2: "margining", 3: "not supported"}))
    error_count = number("Error Count", 5, 0, RO)
