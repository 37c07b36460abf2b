"""Expectations: what should be where, in a short TOML file a person can read and edit, and where a machine differs.

A rule picks links by `slot` (any name of the place), `path` (the way it is wired) or `device` (`vendor:device` in
hexadecimal), with the wildcards * and ?, and says what they should be.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from fnmatch import fnmatchcase
from typing import NamedTuple

import msgspec

from probe.audit.document import AuditDocument, Deviation, LinkDocument
from probe.audit.names import described, title
from probe.compare.identity import identity_of
from probe.counted import counted
from probe.errors.attribution import is_link_error
from probe.errors.limits import Limit
from probe.evidence import unlisted
from probe.kernel_spellings import SMBIOS_TABLE
from probe.links.kind_of_link import KindOfLink
from probe.registers.errors import Severity
from probe.schemas import Schema
from probe.verdict.observation import Observation
from probe.verdict.verdicts import Verdict

_UNCORRECTABLE = (Severity.NONFATAL, Severity.FATAL)


class Rule(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What the links that it picks should be. Only what is stated is held."""

    slot: str | None = None
    path: str | None = None
    device: str | None = None
    holds: str | None = None
    empty: bool = False
    at_least: int = 1
    speed_gts: float | None = None
    width: int | None = None
    zero: tuple[str, ...] = ()
    correctable: str | None = None

    @property
    def asks_for_a_component(self) -> bool:
        """Whether it states something that only a component can be."""
        stated = (self.holds, self.speed_gts, self.width, self.correctable)
        return bool(self.zero) or any(value is not None for value in stated)

    def __str__(self) -> str:
        """As the file has it."""
        picks = ((name, getattr(self, name)) for name in ("slot", "path", "device"))
        return ", ".join(f'{name} = "{text}"' for name, text in picks if text is not None)


class Expectations(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole file."""

    schema: str = Schema.EXPECTATIONS
    rule: tuple[Rule, ...] = ()


def expected_of(links: Sequence[LinkDocument]) -> Expectations:
    """Expectations that this machine meets: one rule a slot, at the state it runs at now.

    Firmware gives one name to several slots: such a one is told by the way it is wired too.
    """
    times = Counter(name for link in links for name in _called(link))
    return Expectations(rule=tuple(_rule(link, times) for link in links if link.kind is KindOfLink.SLOT))


def _called(link: LinkDocument) -> frozenset[str]:
    names = {item.name for item in link.slot.names} if link.slot is not None else set()
    return frozenset(names if link.slot is None or link.slot.title is None else {*names, link.slot.title})


def _rule(link: LinkDocument, times: Mapping[str, int]) -> Rule:
    named = link.slot.title if link.slot is not None else None
    picked_by = named is not None and _by_slot(_escaped(named), link)
    slot = _escaped(named) if named is not None and picked_by else None
    path = None if named is not None and picked_by and times[named] == 1 else link.place_id
    if link.component is None:
        return Rule(slot=slot, path=path, empty=True)
    now = link.possible if link.verdict is Verdict.RESTING else link.negotiated
    return Rule(
        slot=slot,
        path=path,
        holds=device_of(link),
        speed_gts=now.speed_gts,
        width=now.width,
        zero=tuple(severity.value for severity in _UNCORRECTABLE if _all_read(link, severity)),
        correctable="6/2h" if _all_read(link, Severity.CORRECTABLE) and not link.bandwidth.flit_mode else None,
    )


def _escaped(text: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


def device_of(link: LinkDocument) -> str | None:
    """`vendor:device` in hexadecimal; None where nothing is there or it was not read."""
    if link.component is None:
        return None
    read = identity_of(link.component)
    if read.vendor_id is None or read.device_id is None:
        return None
    return f"{read.vendor_id}:{read.device_id}".replace("0x", "").lower()


def deviations(expectations: Expectations, document: AuditDocument) -> tuple[Deviation, ...]:
    """Where these links are not what is expected; a rule that matches nothing is one."""
    return tuple(found for rule in expectations.rule for found in _held(rule, document))


def not_covered(expectations: Expectations, links: Sequence[LinkDocument]) -> Iterator[Observation]:
    """Components in slots that no rule picks: neither as expected nor against it."""
    for link in links:
        covered = any(_picks(rule, link) is not False for rule in expectations.rule)
        if link.kind is KindOfLink.SLOT and link.component is not None and not covered:
            yield Observation("expectations", f"no rule covers {described(link)} in {title(link)}")


class _Difference(NamedTuple):
    sentence: str
    urgent: bool = False
    undecided: bool = False


def _unread(what: str) -> _Difference:
    return _Difference(what, undecided=True)


def _held(rule: Rule, document: AuditDocument) -> Iterator[Deviation]:
    picks = [(link, _picks(rule, link)) for link in document.links]
    picked = [link for link, answer in picks if answer]
    hidden = rule.slot is not None and _slot_names_unread(document)
    unknown = sum(answer is None or (hidden and not answer) for _, answer in picks)
    if unlisted(document.unread) is not None:
        yield Deviation(rule=str(rule), place=None, **_unread("the PCI functions could not be listed")._asdict())
        return
    for difference in _number(rule, len(picked), unknown=unknown):
        yield Deviation(rule=str(rule), place=None, **difference._asdict())
    for link in picked:
        for difference in _differences(rule, link, document.host.uptime_s):
            yield Deviation(rule=str(rule), place=title(link), **difference._asdict())


def _slot_names_unread(document: AuditDocument) -> bool:
    """Whether slots may have names that were not read: the firmware's table needs root."""
    unread = document.host.privileged is False or any(item.path.endswith(SMBIOS_TABLE) for item in document.unread)
    return unread or not any(link.slot is not None and link.slot.names for link in document.links)


def _number(rule: Rule, picked: int, *, unknown: int) -> Iterator[_Difference]:
    """How many the rule picks; `unknown` more may be what it asks for, but were not read."""
    least = rule.at_least if rule.device is not None else 1
    if picked >= least:
        return
    may_be = "" if not unknown else f"; {unknown} could not be read and may be" + (" one" if unknown == 1 else "")
    sentence = f"{picked} of at least {least} such components are there"
    if not picked and least == 1:
        sentence = "the rule matches nothing on this machine"
    undecided = picked + unknown >= least
    yield _Difference(f"{sentence}{may_be}", urgent=not undecided, undecided=undecided)


def _picks(rule: Rule, link: LinkDocument) -> bool | None:
    """Whether the rule picks the link; None where what it picks by was not read."""
    answers = (
        None if rule.slot is None else _by_slot(rule.slot, link),
        None if rule.path is None else fnmatchcase(link.place_id, rule.path),
    )
    if False in answers:
        return False
    if rule.device is None:
        return True
    if link.component is None:
        return False
    device = device_of(link)
    return None if device is None else fnmatchcase(device, rule.device.lower())


def _by_slot(wanted: str, link: LinkDocument) -> bool:
    names = [item.name for item in link.slot.names] if link.slot is not None else []
    return any(fnmatchcase(name, wanted) for name in names)


def _differences(rule: Rule, link: LinkDocument, uptime_s: float | None) -> Iterator[_Difference]:
    if link.component is None:
        if not rule.empty and rule.holds is not None:
            yield _Difference(f"nothing is there, where {rule.holds} should be", urgent=True)
        return
    if rule.empty:
        yield _Difference(f"{described(link)} is there, where nothing should be")
        return
    if rule.holds is not None:
        device = device_of(link)
        if device is None:
            yield _unread(f"what is there was not read, {rule.holds} was expected")
        elif not fnmatchcase(device, rule.holds.lower()):
            yield _Difference(f"holds {device} ({described(link)}), not {rule.holds}")
    yield from _states(rule, link)
    yield from _counts(rule, link, uptime_s)


def _states(rule: Rule, link: LinkDocument) -> Iterator[_Difference]:
    """The state it runs at; of a link at rest, the best it could do awake, as far as that was read."""
    resting = link.verdict is Verdict.RESTING
    now = link.possible if resting else link.negotiated
    if rule.speed_gts is not None:
        if now.speed_gts is None and not resting:
            yield _unread(f"its speed was not read, {rule.speed_gts:g} GT/s was expected")
        elif now.speed_gts is not None and now.speed_gts < rule.speed_gts:
            yield _Difference(f"runs at {now.speed_gts:g} GT/s, {rule.speed_gts:g} GT/s was expected")
    if rule.width is not None:
        if now.width is None and not resting:
            yield _unread(f"its width was not read, x{rule.width} was expected")
        elif now.width is not None and now.width < rule.width:
            yield _Difference(f"is x{now.width} wide, x{rule.width} was expected")


def _counts(rule: Rule, link: LinkDocument, uptime_s: float | None) -> Iterator[_Difference]:
    """What was counted. In Flit mode corrected errors are a part of normal work, and no rule is held to them."""
    flit = link.bandwidth.flit_mode
    for severity in map(Severity, rule.zero):
        count = link.errors.of(severity)
        if flit and severity is Severity.CORRECTABLE:
            continue
        if count:
            what = f"{counted(count, f'{severity.words} error')} counted since boot, none was expected"
            yield _Difference(what, urgent=severity is not Severity.CORRECTABLE)
        elif not _all_read(link, severity):
            yield _unread(f"{severity.words} errors could not be read, none was expected")
    if rule.correctable is None or flit:
        return
    limit = Limit.parse(rule.correctable)
    over = [item for item in link.error_findings if is_link_error(item) and limit.exceeded(item.events, uptime_s)]
    for finding in over:
        yield _Difference(f"{counted(finding.events, 'correctable link error')} since boot, over the limit of {limit}")
    if not over and not _all_read(link, Severity.CORRECTABLE):
        yield _unread(f"correctable errors could not be read, the limit is {limit}")


def _all_read(link: LinkDocument, severity: Severity) -> bool:
    """Whether every function of the link that keeps a counter of this severity gave it."""
    return bool(link.counters) and all(total.of(severity) is not None for total in link.counters.values())
