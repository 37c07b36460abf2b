"""Who holds a port's speed down, as far as the machine says so: a cooling device, or the kernel's own workaround."""

import re
from enum import StrEnum

import msgspec

from probe.address import ADDRESS, Address
from probe.evidence import Evidence
from probe.kernel_spellings import COOLING_TYPE, RESTRICTION_LIFTED, RETRAINED_SLOW
from probe.links.reason import Reason


class Holder(StrEnum):
    """Who holds a speed down."""

    COOLING = "cooling"
    WORKAROUND = "workaround"


class SpeedLimit(msgspec.Struct, frozen=True):
    """One holder of a port's speed, and what says so."""

    holder: Holder
    reason: Reason


_HELD = re.compile(rf"({ADDRESS}).*{re.escape(RETRAINED_SLOW)}")
_LIFTED = re.compile(rf"({ADDRESS}).*{re.escape(RESTRICTION_LIFTED)}")


class SpeedLimits:
    """What holds down the speed of each port of a machine."""

    def __init__(self, evidence: Evidence) -> None:
        self._found: dict[Address, list[SpeedLimit]] = {}
        self._cooling(evidence)
        self._workaround(evidence)

    def of(self, port: Address | None) -> tuple[SpeedLimit, ...]:
        """What holds down the speed of one port."""
        return tuple(self._found.get(port, ())) if port is not None else ()

    def _cooling(self, evidence: Evidence) -> None:
        for device in evidence.cooling:
            address = Address.find(device.type.removeprefix(COOLING_TYPE))
            if address is not None and device.cur_state.isdecimal() and int(device.cur_state) > 0:
                meaning = "the kernel slows this port to cool it: look at temperatures and fans first"
                shown = f"state {device.cur_state} of {device.max_state}"
                self._found.setdefault(address, []).append(
                    SpeedLimit(Holder.COOLING, Reason(f"cooling device {device.type}", shown, meaning))
                )

    def _workaround(self, evidence: Evidence) -> None:
        last: dict[Address, tuple[bool, str]] = {}
        for line in evidence.kernel_log:
            for pattern, holds in ((_HELD, True), (_LIFTED, False)):
                match = pattern.search(line.text)
                address = Address.find(match[1]) if match else None
                if address is not None:
                    last[address] = (holds, line.text)
        for address, (holds, text) in last.items():
            if holds:
                meaning = "the kernel found this link not working and holds it at 2.5 GT/s so that it works at all"
                self._found.setdefault(address, []).append(
                    SpeedLimit(Holder.WORKAROUND, Reason("kernel log", text, meaning))
                )
