"""Whether error counters could have counted: a zero is believed only where something would have raised it."""

from collections.abc import Iterator

from probe.errors.log_events import firmware_keeps_errors
from probe.evidence import Evidence
from probe.kernel_spellings import COUNTER_FILES
from probe.links.function import FunctionFacts
from probe.links.topology import Topology
from probe.registers.device import ROOT_PORT, DeviceControl
from probe.registers.errors import ADVANCED_ERROR_REPORTING, LINK_ERRORS, CorrectableErrorMask, Severity, errors_in
from probe.registers.header import BridgeControl
from probe.verdict.observation import Observation

_SUBJECT = "error counters"


def counter_doubts(evidence: Evidence, tree: Topology) -> Iterator[Observation]:
    """Why counters of this machine may not be believed, each with what says so."""
    command_line = f" {evidence.host.command_line or ''} "
    if "noaer" in command_line:
        yield Observation(_SUBJECT, "the kernel was told not to use Advanced Error Reporting (pci=noaer)")
    if "pcie_ports=compat" in command_line:
        yield Observation(_SUBJECT, "the kernel's port services are off (pcie_ports=compat): nothing is counted")
    kept = firmware_keeps_errors(evidence.kernel_log)
    if kept is not None:
        yield Observation(_SUBJECT, f"firmware handles errors first and may tell the kernel nothing ({kept})")
    linked = [function for function in tree.functions.values() if tree.kind(function) is not None]
    if linked and not any(COUNTER_FILES[Severity.CORRECTABLE] in function.evidence.attributes for function in linked):
        yield Observation(_SUBJECT, "no function has error counters: the kernel or the platform does not offer them")
    if linked and not any(tree.kind(function) == ROOT_PORT for function in linked):
        yield Observation(
            _SUBJECT, "no Root Port is visible (a virtual machine?): errors go to the host and are not counted here"
        )
    masked = [str(function.address) for function in linked if _masks_link_errors(function)]
    if masked:
        yield Observation(_SUBJECT, f"link errors are masked and not counted at {_shortened(masked)}")
    closed = [str(function.address) for function in linked if _forwards_nothing(function)]
    if closed:
        yield Observation(_SUBJECT, f"errors from below are not forwarded, so not counted, by {_shortened(closed)}")
    silent = [str(function.address) for function in linked if _reports_nothing(function)]
    if silent:
        yield Observation(_SUBJECT, f"correctable errors are not reported, so not counted, by {_shortened(silent)}")


def _masks_link_errors(function: FunctionFacts) -> bool:
    raw = function.space.register(CorrectableErrorMask)
    return raw is not None and not set(LINK_ERRORS).isdisjoint(errors_in(CorrectableErrorMask, raw))


def _forwards_nothing(function: FunctionFacts) -> bool:
    """A bridge forwards error messages only with SERR# Enable of Bridge Control set. Base Specification 6.x, 6.2.6."""
    fact = function.read(BridgeControl.serr_enable) if function.is_bridge else None
    return fact is not None and not fact.value


def _reports_nothing(function: FunctionFacts) -> bool:
    if function.space.find(ADVANCED_ERROR_REPORTING) is None:
        return False
    fact = function.read(DeviceControl.correctable_error_reporting_enable)
    return fact is not None and not fact.value


def _shortened(addresses: list[str]) -> str:
    shown = 3
    rest = len(addresses) - shown
    return ", ".join(addresses[:shown]) + (f" and {rest} more" if rest > 0 else "")
