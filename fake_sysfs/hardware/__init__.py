"""A model of links that can be written to: ports, receivers and retimers behind configuration space, with a clock.

It is made from a description as every made-up machine is, answers as the specification's handshake does, can have
faults, and keeps a list of everything that its client did wrong. Its bit patterns are written out here by hand, not
taken from the tables of `probe.registers`, so that a wrong table is found out. Figures without another source are those
of the project's notes on active tests.
"""

from fake_sysfs.hardware.clock import FakeClock
from fake_sysfs.hardware.eye import Slope, Wall
from fake_sysfs.hardware.link import LinkEvent, Training
from fake_sysfs.hardware.mistakes import Mistake
from fake_sysfs.hardware.model import HardwareModel, LinkPlan
from fake_sysfs.hardware.receiver import LaneFault, MarginingPort, Receiver

__all__ = [
    "FakeClock", "HardwareModel", "LaneFault", "LinkEvent", "LinkPlan", "MarginingPort", "Mistake", "Receiver", "Slope",
    "Training", "Wall",
]  # fmt: skip
