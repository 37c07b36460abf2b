"""What must hold before a receiver is margined, brought about at both ends: D0, awake, no ASPM, no autonomous changes.

The component first when something is set, so that putting back in reverse has the port first. What is written here is
put back by the journal of the session, as everything is.
"""

from collections.abc import Iterator

from probe.active.asking import keep, keep_awake, text_of, until, write_file
from probe.active.fields import write_field
from probe.active.link_at import EndAt, LinkAt, is_set
from probe.active.margining.failures import NotReady, Unmeasured
from probe.active.margining.reading import margining_at, present
from probe.active.steps import Protocol
from probe.kernel_spellings import ASPM_SWITCHES
from probe.registers.bits import cut
from probe.registers.function import PowerManagementControlStatus
from probe.registers.link import LinkControl, LinkControl2, LinkStatus
from probe.registers.margining import MarginingPortCapabilities, MarginingPortStatus

SPEEDS_GTS = frozenset({16.0, 32.0})
"""Where lane margining is done. Above, signals have four levels and three eyes: no source for that is at hand."""

AUTONOMOUS = (
    LinkControl.hardware_autonomous_width_disable,
    LinkControl2.hardware_autonomous_speed_disable,
)
_FILE_S = 2.0
_TRAINING_S = 1.0
_POLL_S = 0.001


def prepare(link: LinkAt) -> Protocol[None]:
    """Bring the link into the state that margining needs. Raises NotReady, LinkDisturbed, CannotWrite."""
    for end in (link.component, link.port):
        yield from keep_awake(end.address)
    for end in (link.component, link.port):
        yield from _check_power(end)
    yield from _aspm_off(link)
    for end in (link.component, link.port):
        yield from _no_autonomous_changes(end)
    settled = yield from until(link.status, _is_settled, _TRAINING_S, _POLL_S)
    if not settled.met:
        raise NotReady("Link Training stays set: the link is still training")


def _is_settled(status: int) -> bool:
    return status == LinkStatus.all_ones or not is_set(LinkStatus.link_training, status)


def check_ready(end: EndAt) -> Protocol[int]:
    """The offset of the capability of an end that is ready. Raises Unmeasured with what is missing."""
    base = margining_at(end)
    if base is None:
        raise Unmeasured(f"{end.address} has no Lane Margining capability")
    status = yield from present(end, MarginingPortStatus)
    capabilities = yield from present(end, MarginingPortCapabilities)
    by_software = is_set(MarginingPortCapabilities.margining_uses_driver_software, capabilities)
    prepared = not by_software or is_set(MarginingPortStatus.margining_software_ready, status)
    if prepared and is_set(MarginingPortStatus.margining_ready, status):
        return base
    if by_software:
        what = "needs software of the device's driver for margining, which has not made it ready: load the driver"
        raise Unmeasured(f"{end.address} {what}")
    raise Unmeasured(f"{end.address} does not say that it is ready for margining")


def _check_power(end: EndAt) -> Protocol[None]:
    if end.look(PowerManagementControlStatus) is None:
        return
    state = PowerManagementControlStatus.power_state.decode((yield from present(end, PowerManagementControlStatus)))
    if state != "D0":
        raise NotReady(f"{end.address} is in {state}; margining needs D0")


def _aspm_off(link: LinkAt) -> Protocol[None]:
    """By the kernel's switches where it has them, then by the registers where a bit is still set.

    The bits are kept before: the kernel's switches need not bring back what stood there.
    """
    field = LinkControl.aspm_control
    for end in (link.component, link.port):
        yield from keep(end.address, end.express + LinkControl.offset, 1, cut(field.mask, 0, 1))
    for path in _aspm_paths(link.component):
        if (yield from text_of(path)) == "1":
            yield from write_file(path, "0", _FILE_S)
    for end in (link.component, link.port):
        if field.decode((yield from present(end, LinkControl))) == "off":
            continue
        yield from write_field(end.address, end.express, field, "off")
        if field.decode((yield from present(end, LinkControl))) != "off":
            raise NotReady(f"ASPM of {end.address} cannot be turned off")


def _aspm_paths(component: EndAt) -> Iterator[str]:
    return (f"bus/pci/devices/{component.address}/link/{name}" for name in ASPM_SWITCHES)


def _no_autonomous_changes(end: EndAt) -> Protocol[None]:
    """Set both bits; an end that never changes by itself may hold them at zero."""
    for field in AUTONOMOUS:
        if not is_set(field, (yield from present(end, field.register))):
            yield from write_field(end.address, end.express, field, value=True)
