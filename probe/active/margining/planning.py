"""What a run of `margin` would write, how long it takes, and what its bits can say.

May live here: what stands in the registers that a survey does not read, read for the plan. May not: writing.
"""

from collections.abc import Iterator

from probe.active.documents import PlannedWrite
from probe.active.link_at import EndAt, LinkAt
from probe.active.margining.capabilities import bits_by_rate
from probe.active.margining.link import COMPONENT_RECEIVER, RECEIVER_NAMES, Choice, receivers_of
from probe.active.margining.preparation import AUTONOMOUS, SPEEDS_GTS
from probe.active.margining.reading import margining_at
from probe.active.planning import Intended, awake_writes, register_write
from probe.active.target import Target
from probe.counted import counted
from probe.errors.bit_error_ratio import upper_mean
from probe.evidence import Unread
from probe.exceptions import InputError
from probe.host.files import DEVICES
from probe.host.source import Source
from probe.kernel_spellings import ASPM_SWITCHES
from probe.registers.link import LinkControl, LinkStatus2
from probe.registers.margining import MarginingLaneControl

_BACK = "put back afterwards"
_TIMING, _VOLTAGE = (20, 63), (80, 127)
"""Steps each side: usual (an example, no source), and the most that their fields can say."""
_HANDSHAKES_S = 0.3
_CONFIDENCE = 0.95
_REMEDY = "margin a link that runs at 16 or 32 GT/s"


def check_speed(target: Target) -> None:
    """Raise InputError for a link whose speed has no margining, or none that a source describes."""
    state = target.document.negotiated
    if state.speed_gts in SPEEDS_GTS:
        return
    what = f"runs at {state}: lane margining begins at 16 GT/s"
    if state.speed_gts is None:
        what = "does not say what it runs at"
    elif state.speed_gts > max(SPEEDS_GTS):
        what = f"runs at {state}: above 32 GT/s a lane has three eyes, which this program has no source for"
    raise InputError(what, where=f"link below {target.port.address}", remedy=_REMEDY)


def intended_margin(source: Source, target: Target, choice: Choice) -> Intended:
    """The plan of one link. Receivers tell their steps only when they are asked, which is a write: so, the most."""
    lanes = chosen_lanes(target, choice)
    asked = receivers(target, choice)
    usual = 2 * (_TIMING[0] + _VOLTAGE[0]) * choice.seconds * len(asked)
    most = 2 * (_TIMING[1] + _VOLTAGE[1]) * (choice.seconds + _HANDSHAKES_S) * len(asked) * max(1, len(lanes))
    return Intended(
        writes=tuple(_writes(source, target, asked, lanes)),
        usual_s=usual,
        most_s=most,
        shows=_shows(target, choice),
    )


def told(choice: Choice, target: Target) -> str:
    """What is measured, in words."""
    names = ", ".join(f"{number} ({RECEIVER_NAMES[number]})" for number in receivers(target, choice))
    lanes = chosen_lanes(target, choice)
    which = f"lanes {', '.join(map(str, lanes))}" if choice.lanes is not None else counted(len(lanes), "lane")
    return f"lane margining of receiver {names or 'none'}, {which}, {choice.seconds:g} s a step"


def receivers(target: Target, choice: Choice) -> list[int]:
    """The receivers of the link that are to be measured."""
    return receivers_of(target.port.space.register(LinkStatus2) or 0, choice.ends)


def chosen_lanes(target: Target, choice: Choice) -> list[int]:
    """The lanes of the link that are to be measured."""
    width = target.document.negotiated.width or 0
    return [lane for lane in range(width) if choice.lanes is None or lane in choice.lanes]


def _shows(target: Target, choice: Choice) -> str:
    speed = target.document.negotiated.speed_gts or 0.0
    bits = bits_by_rate(speed, choice.seconds, 63)
    none, limit = (upper_mean(errors, _CONFIDENCE) / bits for errors in (0, choice.error_limit))
    return (
        f"how far each lane's sampling point can move: a step tests at most {bits:.2g} bits; with no error that says a "
        f"bit error ratio below {none:.1e} there, with {choice.error_limit}, the limit, below {limit:.1e} (95 %)"
    )


def _writes(source: Source, target: Target, asked: list[int], lanes: list[int]) -> Iterator[PlannedWrite]:
    link = LinkAt.of(target)
    yield from awake_writes(target)
    yield from _aspm(target)
    for function in (target.component, target.port):
        for field in AUTONOMOUS:
            if not function.space.value(field):
                yield register_write(function, field, "set", _BACK)
    ends = [link.component] if COMPONENT_RECEIVER in asked else []
    ends += [link.port] if set(asked) - {COMPONENT_RECEIVER} else []
    for end in ends:
        base = margining_at(end)
        if base is not None and lanes:
            yield _lane_controls(source, end, base, lanes)


def _aspm(target: Target) -> Iterator[PlannedWrite]:
    attributes = target.component.evidence.attributes
    on = [name for name in ASPM_SWITCHES if attributes.get(f"link/{name}") == "1"]
    for name in on:
        where = f"/sys/bus/pci/devices/{target.component.address}/link/{name}"
        yield PlannedWrite(what=name, where=where, old="1", new="0", meaning=f"no power saving meanwhile; {_BACK}")
    if not on:
        for function in (target.component, target.port):
            if function.space.value(LinkControl.aspm_control) != "off":
                yield register_write(function, LinkControl.aspm_control, "off", f"no power saving meanwhile; {_BACK}")


def _lane_controls(source: Source, end: EndAt, base: int, lanes: list[int]) -> PlannedWrite:
    control = MarginingLaneControl
    at = [base + control.offset + lane * control.stride for lane in lanes]
    standing = dict.fromkeys(_standing(source, end.address, offset) for offset in at)
    known = "not read" if None in standing else ", ".join(f"{value:04x}h" for value in standing if value is not None)
    return PlannedWrite(
        what=f"{control.name}, {counted(len(lanes), 'lane')}",
        where=f"{end.address}, offsets {at[0]:03x}h to {at[-1]:03x}h, two bytes each",
        old=known,
        new="commands of margining",
        meaning=f"then Go to Normal Settings, Clear Error Log, No Command; {_BACK}",
    )


def _standing(source: Source, address: str, offset: int) -> int | None:
    """A Lane Control as it stands: a survey does not read them."""
    path = source.target(f"{DEVICES}/{address}")
    file = path if isinstance(path, Unread) else source.open(f"{path}/config")
    if isinstance(file, Unread):
        return None
    try:
        data = file.read(offset, MarginingLaneControl.size)
    finally:
        file.close()
    return None if isinstance(data, Unread) else MarginingLaneControl.unpack(data)
