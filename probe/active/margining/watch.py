"""Whether the link is still what it was: a status that a receiver left standing looks like success.

Controllers accept commands only in L0 and may leave the last status where it was (Efinix PCIe controller guide), so
every answer that counts is followed by a look at Link Status at both ends.
"""

import msgspec

from probe.active.asking import now
from probe.active.errors_at import Tally, grown, new_bits, tally_of
from probe.active.link_at import EndAt, LinkAt, is_set, state_in
from probe.active.margining.failures import LinkDisturbed, LinkWentDown
from probe.active.margining.reading import present
from probe.active.steps import Protocol
from probe.links.state import LinkState
from probe.registers.bits import mask_of, within
from probe.registers.errors import Severity
from probe.registers.link import LinkControl, LinkControl2, LinkStatus

_RETRAINED = (LinkStatus.link_bandwidth_management_status, LinkStatus.link_autonomous_bandwidth_status)
_COUNT_EVERY_S = 0.1
_CORRECTABLE = Severity.CORRECTABLE.value
_SETTINGS = (
    (LinkControl, mask_of(LinkControl.aspm_control, LinkControl.hardware_autonomous_width_disable)),
    (LinkControl2, mask_of(LinkControl2.hardware_autonomous_speed_disable)),
)
"""What was set for the time of the measuring, and has to stay."""


class LinkNow(msgspec.Struct, frozen=True):
    """What one end's Link Status says. Training and retrained are the port's to say."""

    state: LinkState
    training: bool
    active: bool
    retrained: frozenset[str]


class LinkWatch:
    """The link as it was when the watch began, and a look that raises when it is no longer so."""

    def __init__(self, link: LinkAt) -> None:
        self._link = link
        self._first: dict[str, LinkNow] = {}
        self._errors = Tally(None, frozenset())
        self._settings: dict[str, tuple[int, ...]] = {}
        self._counted_at = 0.0
        self.corrected = 0
        """Correctable errors that were told since the watch began, at least; those of live data do not stop a run."""

    @property
    def state(self) -> LinkState:
        """Speed and width when the watch began."""
        return self._first[self._link.port.address].state

    def begin(self) -> Protocol[None]:
        """Note how the link is. Raises LinkDisturbed where an end does not answer."""
        for _, end in self._link.ends():
            self._first[end.address] = yield from self._look(end)
            self._settings[end.address] = yield from _settings_of(end)
        self._errors = yield from tally_of(self._link)
        self._counted_at = yield from now()

    def check(self) -> Protocol[None]:
        """Look at Link Status at both ends. Raises LinkDisturbed with what is no longer as it was."""
        for _, end in self._link.ends():
            first, latest = self._first[end.address], (yield from self._look(end))
            if first.active and not latest.active:
                raise LinkWentDown(f"the link went down, by Link Status of {end.address}")
            change = _change(first, latest)
            if change is not None:
                raise LinkDisturbed(f"{change}, by Link Status of {end.address}")

    def check_errors(self, *, correctable_stop: bool, at_once: bool = False) -> Protocol[None]:
        """Look for errors that either end reported since the watch began; now and then, unless `at_once`.

        The kernel counts those that it hears of; those that it does not leave a bit in the registers. Raises
        LinkDisturbed with what was reported, or where somebody else changed what was set for the measuring.
        """
        time = yield from now()
        if time - self._counted_at < _COUNT_EVERY_S and not at_once:
            return
        self._counted_at = time
        for _, end in self._link.ends():
            if (yield from _settings_of(end)) != self._settings[end.address]:
                what = "somebody else changed power saving or autonomous changes of the link"
                raise LinkDisturbed(f"{what}, by the registers of {end.address}")
        errors = yield from tally_of(self._link)
        counted, bits = grown(self._errors, errors) or {}, new_bits(self._errors, errors)
        worse = {error for _, severity, error in (*counted, *bits) if severity != _CORRECTABLE}
        if worse:
            raise LinkDisturbed(f"errors were reported meanwhile: {', '.join(sorted(worse))}")
        self.corrected = max(self.corrected, sum(counted.values()), len(bits))
        if self.corrected and correctable_stop:
            names = {error for _, _, error in (*counted, *bits)}
            raise LinkDisturbed(f"correctable errors were reported meanwhile: {', '.join(sorted(names))}")

    def _look(self, end: EndAt) -> Protocol[LinkNow]:
        raw = yield from present(end, LinkStatus)
        is_port = end is self._link.port
        return LinkNow(
            state=state_in(raw),
            training=is_port and is_set(LinkStatus.link_training, raw),
            active=not (is_port and self._link.reports_active) or is_set(LinkStatus.data_link_layer_link_active, raw),
            retrained=frozenset(field.name for field in _RETRAINED if is_port and is_set(field, raw)),
        )


def _settings_of(end: EndAt) -> Protocol[tuple[int, ...]]:
    """The bits that were set for the measuring, as they stand."""
    found = []
    for register, mask in _SETTINGS:
        found.append(within((yield from present(end, register)), mask))
    return tuple(found)


def _change(first: LinkNow, latest: LinkNow) -> str | None:
    if latest.training:
        return "the link was training"
    if latest.state != first.state:
        return f"the link went from {first.state} to {latest.state}"
    if latest.retrained - first.retrained:
        return "the link trained anew"
    return None
