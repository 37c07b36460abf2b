"""Healthy made-up machines raise no alarm: 1,372 views of 343 machines with seven links each.

Every speed and width of the slot against every speed and width of the card, trained to the best both can do (kernel
`pcie_bandwidth_available` takes the lesser of both), at work and asleep at 2.5 GT/s; as root and as an ordinary user.
"""

import pytest

from fake_sysfs import Machine, card, machine, root_port
from probe.audit.audit import audit
from probe.host.machine import read_machine
from probe.verdict.verdicts import Verdict
from tests.laws.machines import SPEEDS, WIDTHS

HEALTHY = {Verdict.FULL, Verdict.LIMITED, Verdict.RESTING}


def healthy(speed: float, width: int, card_speed: float, *, asleep: bool) -> Machine:
    ports = []
    for number, card_width in enumerate(WIDTHS, start=1):
        now = 2.5 if asleep else min(speed, card_speed)
        below = card(
            f"{card_speed:g} GT/s x{card_width}",
            trained=f"{now:g} GT/s x{min(width, card_width)}",
            power_state="D3hot" if asleep else "D0",
        )
        ports.append(root_port(f"0000:00:{number:02x}.0", f"{speed:g} GT/s x{width}", slot=number).holds(below))
    return machine(*ports)


@pytest.mark.parametrize("asleep", [False, True])
@pytest.mark.parametrize("speed", SPEEDS)
def test_a_healthy_machine(speed: float, *, asleep: bool) -> None:
    for width in WIDTHS:
        for card_speed in SPEEDS:
            tree = healthy(speed, width, card_speed, asleep=asleep).build()
            for seen in (tree, tree.unprivileged()):
                document = audit(read_machine(seen.source()))
                assert len(document.links) == len(WIDTHS)
                assert [link for link in document.links if link.alarming] == []
                assert {link.verdict for link in document.links} <= HEALTHY
