"""What must never be touched, and what a person must name before it may be lost: one guard for all active tests.

May live here: the walk from a link to all who use what is below it, and the consent that each use needs. May not:
reading the machine. What could not be found out counts as in use.
"""

from collections.abc import Iterable, Iterator, Sequence
from enum import StrEnum

import msgspec

from probe.active.target import Target
from probe.active.users import disks_below, is_below, users_of_disk
from probe.counted import counted
from probe.host.exclusive import Refused
from probe.host.uses import Uses
from probe.kernel_spellings import VIRTUAL_FUNCTIONS
from probe.links.kind_of_link import KindOfLink
from probe.registers.class_code import DISPLAY, STORAGE
from probe.registers.device import ExpressCapabilities

LINK_LOSS = "link-loss"
LIVE_DATA = "live-data"
SLOT_POWER = "slot-power"
BOUND = "bound:"
WORDS = {
    LINK_LOSS: "the link may go down, and may stay down until power is removed",
    LIVE_DATA: "data on its way through devices in use may be damaged or lost",
    SLOT_POWER: "the slot loses power: all that the component holds in volatile memory is lost",
    f"{BOUND}DRIVER": "the component is reset under this driver, which may not survive it",
}


class Effect(StrEnum):
    """What a test does to the link and all that is below it."""

    SAMPLES = "samples beside the data"
    SAMPLES_LIVE = "moves the sampling point of live data"
    RETRAINS = "retrains the link, which stays up unless it fails"
    RESETS_FUNCTION = "resets one function"
    LINK_DOWN = "takes the link down"
    POWER_OFF = "takes the power of the slot away"


_LOSES_ALL = frozenset({Effect.LINK_DOWN, Effect.POWER_OFF})
_LOSES_DRIVERS = _LOSES_ALL | {Effect.RESETS_FUNCTION}
_PORT_DRIVER = "pcieport"
_PASS_THROUGH = ("vfio", "uio")
_MEMORY = 0x05
_MANAGEMENT_GRAPHICS = 0x1A03  # ASPEED, the display of management controllers (from memory)


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """A reason not to go on: what is in use, who uses it, and the word that accepts its loss; None where none does."""

    what: str
    user: str
    word: str | None = None
    remedy: str | None = None


class Ground(msgspec.Struct, frozen=True, kw_only=True):
    """All that the guard looks at for one link."""

    target: Target
    effect: Effect
    uses: Uses
    firmware_first: str | None = None
    moved: tuple[str, ...] = ()
    """Functions that came or went below the port since the machine was read."""

    @property
    def root(self) -> str:
        """The real path of the port below /sys; all below it is lost with the link."""
        return self.target.port.evidence.path

    def below(self, path: str | None) -> bool:
        """A device that hangs below the port."""
        return path is not None and is_below(path, self.root)


def findings(ground: Ground, refused: Sequence[Refused] = ()) -> tuple[Finding, ...]:
    """Every reason not to go on, those that no word covers first. `refused` are disks that could not be held."""
    found = [finding for question in _QUESTIONS for finding in question(ground)]
    found += _not_held(refused)
    found = list(dict.fromkeys(found))
    never = tuple(item for item in found if item.word is None)
    if ground.effect is Effect.SAMPLES:
        return never  # nothing is lost by it: what is in use may stay so
    return (*never, *(item for item in found if item.word is not None))


def standing_in_the_way(found: Iterable[Finding], accepted: Iterable[str]) -> tuple[Finding, ...]:
    """The findings that the words given do not cover."""
    words = frozenset(accepted)
    return tuple(item for item in found if item.word is None or item.word not in words)


def disks_to_hold(ground: Ground) -> tuple[str, ...]:
    """The whole disks below the link, which have to be held for the time of the test."""
    return tuple(disk.name for disk in disks_below(ground.uses, ground.root) if not _is_partition(disk.name, ground))


def _is_partition(name: str, ground: Ground) -> bool:
    paths = {disk.name: disk.paths[0] for disk in ground.uses.block_devices}
    return any(other != name and paths[name].startswith(f"{path}/") for other, path in paths.items())


def _disks(ground: Ground) -> Iterator[Finding]:
    whole = disks_to_hold(ground)
    for disk in (item for item in disks_below(ground.uses, ground.root) if item.name in whole):
        for use in users_of_disk(disk, ground.uses):
            yield Finding(what=f"disk {disk.name}", user=use, remedy="take it out of use, or test another link")


def _not_held(refused: Sequence[Refused]) -> Iterator[Finding]:
    for item in refused:
        if item.busy:
            user = "something holds it exclusively, by the kernel's own word"
        else:
            user = f"whether anybody uses it could not be found out ({item.why})"
        yield Finding(what=f"disk {item.name}", user=user, remedy="take it out of use, or test another link")


def _network(ground: Ground) -> Iterator[Finding]:
    uses = ground.uses
    uppers = {item.name: item.uppers for item in uses.interfaces}
    for interface in uses.interfaces:
        if not ground.below(interface.path):
            continue
        what = f"network interface {interface.name}"
        chain = tuple(_and_above(interface.name, uppers))
        if any(name in uses.logged_in_over for name in chain):
            yield Finding(what=what, user="a remote login comes in over it", remedy="test from the machine's console")
            continue
        reasons = []
        if interface.up is not False:
            reasons.append("it is up" if interface.up else "whether it is up could not be read")
        reasons += [f"it is a part of {name}" for name in chain[1:]]
        reasons += [f"{name} has a default route" for name in chain if name in uses.routed]
        if reasons:
            yield Finding(what=what, user=", ".join(reasons), word=_word_for_use(ground.effect), remedy="take it down")
    for fabric in uses.fabrics:
        if ground.below(fabric.path):
            word = _word_for_use(ground.effect)
            yield Finding(what=f"fabric {fabric.name}", user=f"its state is {fabric.kind}", word=word)


def _and_above(name: str, uppers: dict[str, tuple[str, ...]]) -> Iterator[str]:
    """An interface and all that are built on it, however deep."""
    waiting, seen = [name], set[str]()
    while waiting:
        item = waiting.pop(0)
        if item not in seen:
            seen.add(item)
            yield item
            waiting += uppers.get(item, ())


def _word_for_use(effect: Effect) -> str:
    """The word for a device in use that is no disk: a retrain may lose the link, all else loses the data for sure."""
    return LINK_LOSS if effect is Effect.RETRAINS else LIVE_DATA


def _displays(ground: Ground) -> Iterator[Finding]:
    for function in ground.target.below:
        address = str(function.address)
        if address in ground.uses.boot_displays:
            yield Finding(what=f"display {address}", user="the machine's own screen (boot_vga)")
        elif (
            function.vendor == _MANAGEMENT_GRAPHICS
            and function.class_code is not None
            and function.class_code.base == DISPLAY
        ):
            yield Finding(what=f"display {address}", user="the management controller's graphics")
    for display in ground.uses.displays:
        if ground.below(display.path):
            word = None if display.kind == "console" else _word_for_use(ground.effect)
            yield Finding(what=f"{display.kind} {display.name}", user="a person may be looking at it", word=word)


def _pass_through(ground: Ground) -> Iterator[Finding]:
    groups = {item.evidence.iommu_group for item in ground.target.below if item.evidence.iommu_group}
    for opened in ground.uses.open_devices:
        if opened.group is not None and opened.group in groups:
            yield Finding(
                what=f"IOMMU group {opened.group}",
                user=f"passed through to {opened.command} (process {opened.process})",
                remedy="shut the guest down",
            )


def _open_files(ground: Ground) -> Iterator[Finding]:
    drivers = {item.evidence.path: item.evidence.driver or "" for item in ground.target.below}
    for opened in ground.uses.open_devices:
        if not ground.below(opened.path):
            continue
        driver = next((name for path, name in drivers.items() if is_below(opened.path or "", path)), "")
        passed = driver.startswith(_PASS_THROUGH)
        user = f"{opened.command} (process {opened.process}) has it open"
        word = None if passed else _word_for_use(ground.effect)
        yield Finding(what=opened.file, user=user, word=word, remedy="end that process")


def _drivers(ground: Ground) -> Iterator[Finding]:
    for function in ground.target.below:
        driver = function.evidence.driver
        if driver is None or driver == _PORT_DRIVER:
            continue
        what = f"function {function.address}"
        if function.class_code is not None and function.class_code.base == _MEMORY:
            yield Finding(what=what, user=f"memory that the system may be using (driver {driver})", remedy="unbind it")
        elif ground.effect in _LOSES_DRIVERS:
            yield Finding(what=what, user=f"driver {driver}", word=f"{BOUND}{driver}", remedy="unbind the driver")
        elif ground.effect is Effect.RETRAINS:
            yield Finding(what=what, user=f"driver {driver}", word=LINK_LOSS, remedy="unbind the driver")


def _effect(ground: Ground) -> Iterator[Finding]:
    what = f"link below {ground.target.port.address}"
    if ground.effect is Effect.LINK_DOWN:
        yield Finding(what=what, user="the test takes it down", word=LINK_LOSS)
        if ground.firmware_first is not None:
            user = "the firmware hears of errors first and may stop the machine at a lost link"
            yield Finding(what=what, user=user, word=LINK_LOSS)
        if not ground.target.port.space.value(ExpressCapabilities.slot_implemented):
            user = "the port has no slot: what is soldered down cannot be taken out to bring it back"
            yield Finding(what=what, user=user, word=LINK_LOSS)
    elif ground.effect is Effect.POWER_OFF:
        yield Finding(what=what, user="the test takes the slot's power away", word=SLOT_POWER)
    elif ground.effect is Effect.SAMPLES_LIVE:
        user = "the receivers have no error sampler of their own: the test moves the sampling point of live data"
        yield Finding(what=what, user=user, word=LIVE_DATA)


def _platform(ground: Ground) -> Iterator[Finding]:
    kind = ground.target.document.kind
    what = f"link below {ground.target.port.address}"
    if kind is KindOfLink.TUNNEL:
        yield Finding(what=what, user="it runs through a tunnel and has no lanes of its own")
    if kind is KindOfLink.INTEGRATED:
        yield Finding(what=what, user="it is a part of the chipset or processor")
    for device in ground.uses.platform:
        if ground.below(device.path):
            yield Finding(what=f"{device.kind} {device.name}", user="the machine itself rests on it")
    if ground.uses.crash_dump.unknown is not None:
        for function in ground.target.below:
            if function.class_code is not None and function.class_code.base == STORAGE:
                remedy = "say where, or unload the crash kernel"
                user = f"crashes may be written through it: {ground.uses.crash_dump.unknown}"
                yield Finding(what=f"function {function.address}", user=user, remedy=remedy)
    for function in ground.target.below:
        number = function.evidence.attributes.get(VIRTUAL_FUNCTIONS, "0")
        if number not in {"", "0"}:
            remedy = f"write 0 to its {VIRTUAL_FUNCTIONS} first"
            yield Finding(
                what=f"function {function.address}", user=counted(int(number), "virtual function"), remedy=remedy
            )


def _others(ground: Ground) -> Iterator[Finding]:
    for address in ground.moved:
        user = "it came or went since the machine was read, so nobody knows what is below"
        yield Finding(what=f"function {address}", user=user, remedy="begin anew")
    for test in ground.uses.tests:
        yield Finding(what="another test", user=test, remedy="wait for its end")
    ends = {str(ground.target.port.address), str(ground.target.component.address)}
    for address in ground.uses.kernel_margining:
        if address in ends:
            yield Finding(what=f"function {address}", user="a driver of the kernel is margining it")
    if ground.uses.lockdown is not None:
        user = f"kernel lockdown ({ground.uses.lockdown}): configuration space cannot be written"
        yield Finding(what="this host", user=user, remedy="start it without Secure Boot's lockdown")
    for item in ground.uses.unread:
        user = f"not all users could be found: {item.path} gives {item.detail or item.why}"
        yield Finding(what="this host", user=user, remedy="run as root")


_QUESTIONS = (
    _disks, _network, _displays, _pass_through, _open_files, _platform, _others, _effect, _drivers,
)  # fmt: skip
