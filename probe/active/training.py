"""One training of a link, by each means, and what could be seen of it. Protocols: no file, no clock.

Sequences and waits: `pcie_retrain_link` and `pci_bridge_wait_for_secondary_bus` (Linux 7.3 drivers/pci/pci.c). What
shows that a training took place is looked for, never taken for granted: a port may ignore the bit, and a reset with
nothing below returns success.
"""

from enum import StrEnum

import msgspec

from probe.active.asking import finished, now, read, text_of, traced, until, write, write_file
from probe.active.link_at import (
    Equalization,
    LinkAt,
    equalization_of,
    is_set,
    is_there,
    lane_errors_of,
    state_in,
    state_of,
    target_speed_of,
)
from probe.active.steps import Begin, CannotWrite, Protocol, Wait
from probe.active.ways import ByFunction, ByPort, ByRetrain, BySlot, Means
from probe.links.state import LinkState
from probe.registers.link import LinkControl, LinkStatus

TRAINING_S = 1.0
"""PCIE_LINK_RETRAIN_TIMEOUT_MS of the kernel, and its wait for Data Link Layer Link Active."""
RESET_S = 130.0
"""The kernel polls a component for 60 s after a reset; seen to hang 70 s where hot-plug took the device away."""
SLOT_OFF_S = 3.0
_ANSWER_S = 1.0
_SIGN_S = 0.020
_BUSY_S = 0.002
_PAUSE_S = 0.0002
_RESET_PAUSE_S = 0.0005
_MANAGED = LinkStatus.link_bandwidth_management_status
_RETRAIN = LinkControl.retrain_link.mask
# drivers/pci/quirks.c quirk_enable_clear_retrain_link: these never finish unless the bit is written back to 0.
_CLEAR_BY_HAND = frozenset({(0x12D8, 0xE110), (0x12D8, 0xE111), (0x12D8, 0xE130)})


class Sign(StrEnum):
    """What shows that a training took place."""

    TRAINING = "Link Training was seen set"
    MANAGED = "Link Bandwidth Management Status was set meanwhile"
    INACTIVE = "Data Link Layer Link Active was seen clear"
    STATE = "speed or width changed meanwhile"
    TRACED = "the kernel traced an event of the link"


class Problem(StrEnum):
    """Why a training did not come to its end."""

    BUSY = "Link Training was set already, and stayed so for 1 s"
    STUCK = "Link Training stayed set"
    NOT_ACTIVE = "Data Link Layer Link Active did not come back"
    GONE = "the component does not answer"
    REFUSED = "the kernel did not do it"
    HELD = "the port does not take that Target Link Speed"


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """All that was seen of one training. `ms` is the time of the link's training or absence, None where unknown.

    `below_ms` is an upper bound in its place: it was over at the first look.
    """

    signs: tuple[Sign, ...] = ()
    ms: float | None = None
    below_ms: float | None = None
    problem: Problem | None = None
    detail: str | None = None
    state: LinkState = LinkState()
    answers: bool | None = None
    equalization: tuple[Equalization, ...] = ()
    lane_errors: dict[str, int] = {}
    target_speed_gts: float | None = None


def train(link: LinkAt, means: Means) -> Protocol[Seen]:
    """One training by these means. A write that is refused is a problem of the training, not an error."""
    watch = yield from begun(link)
    try:
        match means:
            case ByRetrain():
                yield from _retrain(link, watch)
            case ByPort(path=path) | ByFunction(path=path):
                yield from while_written(link, path, "1", watch)
            case BySlot(path=path):
                yield from _power_cycle(link, path, watch)
    except CannotWrite as refused:
        watch.fail(Problem.REFUSED, str(refused))
    return (yield from aftermath(link, watch))


def begun(link: LinkAt) -> Protocol["Watch"]:
    """A watch that begins now."""
    watch = Watch()
    watch.traced = yield from traced(link.port.address)
    watch.before = yield from _status(link)
    return watch


class Watch:
    """What is noticed, look by look."""

    def __init__(self) -> None:
        self.before: int | None = None
        self.traced: int | None = None
        """Events that the kernel had traced before."""
        self.signs: dict[Sign, None] = {}
        self.first_s: float | None = None
        self.last_s: float | None = None
        self.below_s: float | None = None
        self.problem: Problem | None = None
        self.detail: str | None = None

    def fail(self, problem: Problem, detail: str | None = None) -> None:
        """Note what went wrong first."""
        self.problem, self.detail = self.problem or problem, self.detail or detail

    def look(self, status: int | None, at: float, *, reports_active: bool) -> bool:
        """Take one Link Status; True while the link is training or away."""
        if status is None or status == LinkStatus.all_ones or self.before is None:
            return False
        training = is_set(LinkStatus.link_training, status)
        away = reports_active and not is_set(LinkStatus.data_link_layer_link_active, status)
        if training:
            self.signs[Sign.TRAINING] = None
        if away:
            self.signs[Sign.INACTIVE] = None
        if is_set(_MANAGED, status) and not is_set(_MANAGED, self.before):
            self.signs[Sign.MANAGED] = None
        if not (training or away) and state_in(status) != state_in(self.before):
            self.signs[Sign.STATE] = None
        if training or away:
            self.first_s = at if self.first_s is None else self.first_s
            self.last_s = None
        elif self.first_s is not None and self.last_s is None:
            self.last_s = at
        return training or away


def _status(link: LinkAt) -> Protocol[int | None]:
    return (yield from read(link.status.address, link.status.offset, link.status.size))


def _retrain(link: LinkAt, watch: Watch) -> Protocol[None]:
    quiet = yield from until(
        link.status, lambda status: not is_set(LinkStatus.link_training, status), TRAINING_S, 0.001
    )
    watch.before = quiet.value
    if not quiet.met:
        watch.fail(Problem.BUSY)
        return
    control = link.port.express + LinkControl.offset
    begin = yield from now()
    yield from write(link.port.address, control, 1, _RETRAIN, _RETRAIN)
    if link.port_ids in _CLEAR_BY_HAND:
        yield from write(link.port.address, control, 1, 0, _RETRAIN)
    yield from _until_trained(link, watch, begin)


def _until_trained(link: LinkAt, watch: Watch, begin: float) -> Protocol[None]:
    """Look until Link Training is clear. Where it never was set, look a little longer for any sign of a training."""
    while True:
        before = yield from now()
        status = yield from _status(link)
        at = yield from now()
        # Data Link Layer Link Active is waited for afterwards: a retrain does not clear it unless it fails.
        busy = watch.look(status, at, reports_active=False)
        if not busy and watch.first_s is not None:
            watch.first_s = begin  # the bit is set from the moment of the write
            return
        if not busy and watch.signs:
            watch.below_s = at - begin
            return
        waited = before - begin
        if not busy and waited >= _SIGN_S:
            return
        if waited >= TRAINING_S:
            watch.fail(Problem.STUCK)
            return
        if waited >= _BUSY_S:
            yield Wait(_PAUSE_S)


def while_written(link: LinkAt, path: str, text: str, watch: Watch) -> Protocol[None]:
    """Write a file, and watch the port's Link Status until the kernel is done with it."""
    begin = yield from now()
    yield Begin(path, text)
    while True:
        before = yield from now()
        watch.look((yield from _status(link)), (yield from now()), reports_active=link.reports_active)
        result = yield from finished(path)
        if result is not None:
            if result:
                watch.fail(Problem.REFUSED, str(CannotWrite.by_errno(f"/sys/{path}", result)))
            return
        if before - begin >= RESET_S:
            watch.fail(Problem.REFUSED, f"/sys/{path}: the kernel has not come back from it within {RESET_S:g} s")
            return
        yield Wait(_RESET_PAUSE_S)


def _power_cycle(link: LinkAt, path: str, watch: Watch) -> Protocol[None]:
    """Take the slot's power away, let the card discharge, and give it back. What the file says then is believed."""
    yield from write_file(path, "0", RESET_S)
    if (yield from text_of(path)) == "1":
        watch.fail(Problem.REFUSED, f"/sys/{path}: the slot kept its power")
        return
    watch.look((yield from _status(link)), (yield from now()), reports_active=link.reports_active)
    yield Wait(SLOT_OFF_S)
    watch.first_s = watch.last_s = None  # the time that counts begins with the power
    yield from while_written(link, path, "1", watch)
    if (yield from text_of(path)) == "0":
        watch.fail(Problem.REFUSED, f"/sys/{path}: the slot did not get its power back")


def aftermath(link: LinkAt, watch: Watch) -> Protocol[Seen]:
    """Wait for the link and the component, then read what came of it."""
    if link.reports_active and watch.problem is None:
        active = yield from until(
            link.status, lambda status: is_set(LinkStatus.data_link_layer_link_active, status), TRAINING_S, 0.001
        )
        watch.look(active.value, (yield from now()), reports_active=True)
        if not active.met:
            watch.fail(Problem.NOT_ACTIVE)
    events = yield from traced(link.port.address)
    if events is not None and watch.traced is not None and events > watch.traced:
        watch.signs[Sign.TRACED] = None
    there = yield from until(link.identity, is_there, _ANSWER_S, 0.005)
    if not there.met:
        watch.fail(Problem.GONE)
    ms = None if watch.first_s is None or watch.last_s is None else 1000 * (watch.last_s - watch.first_s)
    equalization = yield from equalization_of(link)
    lane_errors = yield from lane_errors_of(link)
    target_speed_gts = yield from target_speed_of(link)
    return Seen(
        signs=tuple(watch.signs),
        ms=ms,
        below_ms=None if watch.below_s is None else 1000 * watch.below_s,
        problem=watch.problem,
        detail=watch.detail,
        state=(yield from state_of(link)) if there.met else LinkState(),
        answers=there.met,
        equalization=equalization,
        lane_errors=lane_errors,
        target_speed_gts=target_speed_gts,
    )
