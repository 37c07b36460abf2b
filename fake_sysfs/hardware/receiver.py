"""Receivers as they are described: parameters, eyes, faults."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from fake_sysfs.hardware.eye import Eye, Wall


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneFault:
    """What is wrong with one lane of a receiver. Without any, a lane answers after 50 us and sets up in 1 ms."""

    silent: bool = False
    """Never answers anything but what stands there."""
    answers_as: int | None = None
    """Answers with another Receiver Number."""
    answers_type: int | None = None
    """Answers with another Margin Type."""
    registers_limit: int | None = None
    """Echoes another error count limit than the one that was set."""
    nak_from: int | None = None
    """Does not support this step and those beyond, though it is within the range it reports."""
    stuck_in_set_up: bool = False
    dirty_reserved: bool = False
    """Reserved bits of its answers, and the usage model, are set."""
    answer_s: float = 50e-6
    set_up_s: float = 1e-3
    errors_within: int = 0
    """Errors at each step that passes: the count that it shows within the eye."""
    dies_after_steps: int | None = None
    """Answers nothing more after so many steps were begun."""
    counts_nothing: bool = False
    """Forgets how many bits it tested as soon as it is asked: M_SampleCount is 0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Receiver:
    """One receiver. The parameters are those that the Microchip pages use in their examples, where they have one."""

    voltage: bool = True
    independent_levels: bool = True
    independent_sides: bool = True
    reports_rate: bool = False
    independent_sampler: bool = True
    timing_steps: int = 16
    timing_offset: int = 40
    voltage_steps: int = 64
    voltage_offset: int = 12
    timing_rate: int = 63
    voltage_rate: int = 63
    max_lanes: int = 31
    eye: Eye = field(default_factory=Wall)
    eyes: Mapping[int, Eye] = field(default_factory=dict)
    faults: Mapping[int, LaneFault] = field(default_factory=dict)
    fault: LaneFault = field(default_factory=LaneFault)

    def eye_of(self, lane: int) -> Eye:
        """The eye of one lane."""
        return self.eyes.get(lane, self.eye)

    def fault_of(self, lane: int) -> LaneFault:
        """What is wrong with one lane."""
        return self.faults.get(lane, self.fault)


@dataclass(frozen=True, slots=True, kw_only=True)
class MarginingPort:
    """One end's Margining Port registers."""

    uses_driver_software: bool = False
    ready: bool = True
    software_ready: bool = False
