"""What a port says where nothing is listed below it, and what keeps its link down: containment, power, orders."""

from collections.abc import Iterator

from probe.address import Address
from probe.evidence import Why
from probe.links.fact import value_of
from probe.links.function import FunctionFacts
from probe.links.link import Link
from probe.links.reason import Reason
from probe.registers.containment import DOWNSTREAM_PORT_CONTAINMENT, DpcErrorSourceId, DpcStatus
from probe.registers.device import ExpressCapabilities
from probe.registers.link import LinkCapabilities, LinkControl, LinkStatus
from probe.registers.slot import SlotCapabilities, SlotControl, SlotStatus
from probe.registers.space import ConfigSpace

_EXTENDED = "see extension"
_MESSAGES = frozenset({"ERR_NONFATAL received", "ERR_FATAL received"})


def contained(link: Link) -> tuple[Reason, ...]:
    """Downstream Port Containment that triggered and holds the link down, and why. Base Specification 6.x, 6.2.11."""
    status = link.port_fact(DpcStatus.dpc_trigger_status)
    if link.port is None or status is None or not status.value:
        return ()
    meaning = "the port contained an error and holds its link down: read the kernel log before anything is reseated"
    found = [Reason(status.source, status.shown, meaning)]
    reason = link.port_fact(DpcStatus.dpc_trigger_reason)
    if reason is not None and reason.value == _EXTENDED:
        reason = link.port_fact(DpcStatus.dpc_trigger_reason_extension)
    if reason is not None:
        found.append(
            Reason(reason.source, reason.shown, f"why it triggered: {reason.value}{_sender(link.port.function)}")
        )
    return tuple(found)


def _sender(port: FunctionFacts) -> str:
    """The Function that sent the message that triggered; the source is valid only where a message did."""
    reason = value_of(port.read(DpcStatus.dpc_trigger_reason))
    parts = [
        value_of(port.read(field))
        for field in (DpcErrorSourceId.bus_number, DpcErrorSourceId.device_number, DpcErrorSourceId.function_number)
    ]
    numbers = [part for part in parts if part is not None]
    if len(numbers) < len(parts) or reason not in _MESSAGES:
        return ""
    return f" from {Address(port.address.domain, *numbers)}"


def power_fault_detected(link: Link) -> bool | None:
    """Whether the slot's power controller saw a power fault. It stays set until it is cleared; None is not read."""
    fault = link.port_fact(SlotStatus.power_fault_detected)
    controlled = value_of(link.port_fact(SlotCapabilities.power_controller_present))
    return None if fault is None else fault.value and controlled is not False


def power_fault(link: Link) -> tuple[Reason, ...]:
    """The power fault that the slot's power controller saw."""
    fault = link.port_fact(SlotStatus.power_fault_detected)
    if fault is None or not power_fault_detected(link):
        return ()
    return (Reason(fault.source, fault.shown, "the slot's power controller detected a power fault"),)


def switched_off(link: Link) -> tuple[Reason, ...]:
    """A slot or link that software has switched off."""
    return tuple(_switched_off(link))


def _switched_off(link: Link) -> Iterator[Reason]:
    power = link.port_fact(SlotControl.power_controller_control)
    controlled = link.port_fact(SlotCapabilities.power_controller_present)
    if power is not None and controlled is not None and controlled.value and power.value == "power off":
        yield Reason(power.source, power.shown, "the slot's power is switched off")
    disabled = link.port_fact(LinkControl.link_disable)
    if disabled is not None and disabled.value:
        yield Reason(disabled.source, disabled.shown, "the link is switched off by software")


def detects_presence(link: Link) -> bool:
    """Whether a slot tells what is in it, whatever its link does."""
    return link.port_fact(SlotStatus.presence_detect_state) is not None


def card_detected(link: Link) -> Reason | None:
    """A card that the slot detects."""
    presence = link.port_fact(SlotStatus.presence_detect_state)
    if presence is None or presence.value != "card present":
        return None
    return Reason(presence.source, presence.shown, "a card is in the slot, yet no function of it is listed")


def link_up(link: Link) -> Reason | None:
    """A link that is up, by a port that can tell."""
    active = link.port_fact(LinkStatus.data_link_layer_link_active)
    if active is None or not active.value:
        return None
    meaning = "the link is up, yet nothing is listed below: removed by software, or hidden by the platform"
    return Reason(active.source, active.shown, meaning)


def link_down(link: Link) -> Reason | None:
    """A link that did not come up, by a port that can tell: elsewhere the bit is hardwired to 0."""
    active = link.port_fact(LinkStatus.data_link_layer_link_active)
    if active is None or active.value:
        return None
    if not value_of(link.port_fact(LinkCapabilities.data_link_layer_link_active_reporting_capable)):
        return None
    return Reason(active.source, active.shown, "the link to the card did not come up")


def training(link: Link) -> Reason | None:
    """A link that is training."""
    fact = link.port_fact(LinkStatus.link_training)
    if fact is None or not fact.value:
        return None
    return Reason(fact.source, fact.shown, "the link is training: something is there, and it is not up yet")


def nothing_there(link: Link) -> Reason | None:
    """Slot Status, or Link Status where there is no slot, that agrees that nothing is there; None where not read.

    A port whose containment was there to be read, and was not, may hold its link down: it is not called empty.
    """
    presence = link.port_fact(SlotStatus.presence_detect_state)
    slot = link.port_fact(ExpressCapabilities.slot_implemented)
    if link.port is None or (presence is None and slot is not None and slot.value):
        return None
    if _containment_not_read(link.port.function.space):
        return None
    agreeing = presence if presence is not None else link.port_fact(LinkStatus.data_link_layer_link_active)
    return None if agreeing is None else Reason(agreeing.source, agreeing.shown, "nothing is attached to this port")


def _containment_not_read(space: ConfigSpace) -> bool:
    """Whether the status, or a part of the list that may lead to it, is missing in an extended space that was read."""
    if space.find(DOWNSTREAM_PORT_CONTAINMENT) is not None:
        return space.register(DpcStatus) is None
    return space.extended_list_cut


def not_told(link: Link) -> tuple[Reason, ...]:
    """Why it is not known whether something is attached."""
    if link.port is None:
        return ()
    port = link.port.function
    if port.asleep and port.power_state is not None:
        state = port.power_state
        return (Reason(state.source, state.shown, "the port sleeps: whether something is attached was not read"),)
    closed = port.evidence.why_unread("config")
    meaning = "whether something is attached was not read"
    if closed is None:
        return (Reason(f"Slot Status and Link Status of {port.address}", "not read", meaning),)
    more = f"{meaning}: it needs root" if closed.why in {Why.SHORT, Why.DENIED} else meaning
    return (Reason(closed.path, str(closed.why), more),)
