"""A modelled link, margined by the real protocol under the real driver, then put back as a session does."""

from collections.abc import Mapping
from typing import Any

from fake_sysfs import card, machine, root_port
from fake_sysfs.hardware import HardwareModel, LinkEvent, LinkPlan, Receiver
from fake_sysfs.hardware.rehearsed import COMPONENT, PORT, Rehearsed, rehearse
from probe.active.margining.document import Limits
from probe.active.margining.link import Choice

NO_LIMITS = Limits()
ALL_ENDS = frozenset({"port", "component", "retimer"})


def model(
    receivers: Mapping[int, Receiver] | None = None, *, best: str = "16 GT/s x4", trained: str | None = None,
    component: Mapping[str, Any] = {}, events: tuple[LinkEvent, ...] = (), **plan: Any,
) -> HardwareModel:  # fmt: skip
    """A port and a card, both with the Lane Margining capability."""
    port = root_port(PORT, best, slot=1, margining=True, attributes={"power/control": "auto"})
    below = card(best, trained=trained, **{"margining": True, "attributes": {"power/control": "auto"}, **component})
    tree = machine(port.holds(below)).build()
    if receivers is not None:
        plan["receivers"] = receivers
    return HardwareModel(tree, {PORT: LinkPlan(component=COMPONENT, events=events, **plan)})


def margin(
    hardware: HardwareModel, *, seconds: float = 0.1, limits: Limits = NO_LIMITS, ends: frozenset[str] = ALL_ENDS,
    error_limit: int = 4, **choice: Any,
) -> Rehearsed:  # fmt: skip
    """Margin the model's link and put all back."""
    return rehearse(hardware, Choice(ends=ends, seconds=seconds, error_limit=error_limit, **choice), limits)


def clean(done: Rehearsed) -> None:
    """The client did nothing wrong and left nothing behind."""
    assert done.model.mistakes == []
    assert done.model.left_behind() == []
    assert done.leftovers == ()
