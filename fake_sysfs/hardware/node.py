"""The demonstration machine with one slot alive: A2, repaired, can be trained and margined, and one lane is bad.

Whatever else the node has stands still, faults and all.
"""

from dataclasses import replace

from fake_sysfs.build import Machine
from fake_sysfs.demonstration import SPEED_FAULT_AT, correlator
from fake_sysfs.description import Component, Port
from fake_sysfs.hardware.clock import FakeClock
from fake_sysfs.hardware.eye import Wall
from fake_sysfs.hardware.model import HardwareModel, LinkPlan
from fake_sysfs.hardware.receiver import Receiver

LIVE_PORT, LIVE_SLOT = "0000:00:02.0", "A2 upper riser"
LANES, BAD_LANE = 8, 5
_BAD = Wall(left=2, right=2, up=6, down=5)


def node(clock: FakeClock) -> HardwareModel:
    """The node, served: eyes a little unlike each other, and one that is nearly shut, at the port's receiver."""
    eyes = {
        lane: Wall(left=9 + lane % 2, right=9 + lane % 3, up=28 + lane % 2, down=27 + lane % 3) for lane in range(LANES)
    }
    receivers = {1: Receiver(eyes=eyes | {BAD_LANE: _BAD}), 6: Receiver(eyes=eyes)}
    plan = LinkPlan(component=SPEED_FAULT_AT, receivers=receivers)
    return HardwareModel(repaired().build(), {LIVE_PORT: plan}, clock)


def repaired() -> Machine:
    """The node with the card of slot A2 at its best, and margining at both its ends."""
    whole = correlator()
    return replace(whole, ports=tuple(_alive(port) if port.address == LIVE_PORT else port for port in whole.ports))


def _alive(port: Port) -> Port:
    below = port.below or Component(functions=())
    functions = tuple(replace(function, margining=True) for function in below.functions)
    above = replace(port.function, margining=True)
    return replace(port, function=above, below=replace(below, functions=functions, trained=None))
