"""Expectations: what should be where, in a short TOML file a person can read and edit, and where a machine differs.

A rule picks links by `slot` (any name of the place), `path` (the way it is wired) or `device` (`vendor:device` in
hexadecimal), with the wildcards * and ?, and says what they should be.
"""

import tomllib
from collections.abc import Iterator, Sequence
from fnmatch import fnmatchcase

import msgspec

from probe.audit.document import Deviation, LinkDocument
from probe.audit.names import described, title
from probe.errors.attribution import is_link_error
from probe.errors.limits import Limit
from probe.exceptions import DocumentError
from probe.links.kind_of_link import KindOfLink
from probe.schemas import Schema
from probe.verdict.words import Verdict

_REMEDY = "correct it, or write one from a known-good machine: linkprobe expect write -o FILE"
_SEVERITIES = ("correctable", "nonfatal", "fatal")


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

    def __str__(self) -> str:
        """As the file has it."""
        picks = ((name, getattr(self, name)) for name in ("slot", "path", "device"))
        return ", ".join(f'{name} = "{text}"' for name, text in picks if text is not None)


class Expectations(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A whole file."""

    schema: str = Schema.EXPECTATIONS
    rule: tuple[Rule, ...] = ()


def parse(text: str, name: str) -> Expectations:
    """The expectations in a TOML text. Raises DocumentError, which names the rule and what is wrong with it."""
    try:
        found = msgspec.convert(tomllib.loads(text), Expectations)
    except tomllib.TOMLDecodeError as error:
        raise DocumentError(f"is not TOML ({error})", where=name, remedy=_REMEDY) from error
    except msgspec.ValidationError as error:
        raise DocumentError(f"does not say what it should ({error})", where=name, remedy=_REMEDY) from error
    if found.schema != Schema.EXPECTATIONS:
        raise DocumentError(f"is a {found.schema} document", where=name, remedy=_REMEDY)
    for number, rule in enumerate(found.rule, start=1):
        if not str(rule):
            raise DocumentError(f"rule {number} picks nothing", where=name, remedy="give it a slot, path or device")
        unknown = set(rule.zero) - set(_SEVERITIES)
        if unknown:
            what = f"rule {number} ({rule}) asks for zero {', '.join(sorted(unknown))} errors"
            raise DocumentError(what, where=name, remedy=f"choose among {', '.join(_SEVERITIES)}")
        if rule.correctable is not None:
            Limit.parse(rule.correctable)
    return found


def expected_of(links: Sequence[LinkDocument]) -> Expectations:
    """Expectations that this machine meets: one rule a slot, at the state it runs at now."""
    return Expectations(rule=tuple(_rule(link) for link in links if link.kind is KindOfLink.SLOT))


def _rule(link: LinkDocument) -> Rule:
    named = link.slot.title if link.slot is not None else None
    slot, path = (_escaped(named), None) if named else (None, link.place_id)
    if link.component is None:
        return Rule(slot=slot, path=path, empty=True)
    now = link.possible if link.verdict is Verdict.RESTING else link.negotiated
    return Rule(
        slot=slot,
        path=path,
        holds=device_of(link),
        speed_gts=now.speed_gts,
        width=now.width,
        zero=("nonfatal", "fatal"),
        correctable="6/2h",
    )


def _escaped(text: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


def device_of(link: LinkDocument) -> str | None:
    """`vendor:device` in hexadecimal."""
    if link.component is None or link.component.vendor_id is None or link.component.device_id is None:
        return None
    return f"{link.component.vendor_id}:{link.component.device_id}".replace("0x", "")


def deviations(
    expectations: Expectations, links: Sequence[LinkDocument], uptime_s: float | None
) -> tuple[Deviation, ...]:
    """Where these links are not what is expected; a rule that matches nothing is one."""
    return tuple(found for rule in expectations.rule for found in _held(rule, links, uptime_s))


def _held(rule: Rule, links: Sequence[LinkDocument], uptime_s: float | None) -> Iterator[Deviation]:
    picked = [link for link in links if _picks(rule, link)]
    if not picked:
        yield Deviation(rule=str(rule), place=None, sentence="the rule matches nothing on this machine", urgent=True)
        return
    if rule.device is not None and len(picked) < rule.at_least:
        sentence = f"{len(picked)} of at least {rule.at_least} such components are there"
        yield Deviation(rule=str(rule), place=None, sentence=sentence, urgent=True)
    for link in picked:
        for sentence, urgent in _differences(rule, link, uptime_s):
            yield Deviation(rule=str(rule), place=title(link), sentence=sentence, urgent=urgent)


def _picks(rule: Rule, link: LinkDocument) -> bool:
    if rule.slot is not None:
        names = [item.name for item in link.slot.names] if link.slot is not None else []
        if not any(fnmatchcase(name, rule.slot) for name in names):
            return False
    if rule.path is not None and not fnmatchcase(link.place_id, rule.path):
        return False
    return rule.device is None or fnmatchcase(device_of(link) or "", rule.device)


def _differences(rule: Rule, link: LinkDocument, uptime_s: float | None) -> Iterator[tuple[str, bool]]:
    if link.component is None:
        if not rule.empty and rule.holds is not None:
            yield f"nothing is there, where {rule.holds} should be", True
        return
    if rule.empty:
        yield f"{described(link)} is there, where nothing should be", False
        return
    if rule.holds is not None and not fnmatchcase(device_of(link) or "", rule.holds):
        yield f"holds {device_of(link)} ({described(link)}), not {rule.holds}", False
    yield from _states(rule, link)
    yield from _counts(rule, link, uptime_s)


def _states(rule: Rule, link: LinkDocument) -> Iterator[tuple[str, bool]]:
    now = link.negotiated
    if rule.speed_gts is not None and link.verdict is not Verdict.RESTING:
        if now.speed_gts is None:
            yield f"its speed was not read, {rule.speed_gts:g} GT/s was expected", False
        elif now.speed_gts < rule.speed_gts:
            yield f"runs at {now.speed_gts:g} GT/s, {rule.speed_gts:g} GT/s was expected", False
    if rule.width is not None:
        if now.width is None:
            yield f"its width was not read, x{rule.width} was expected", False
        elif now.width < rule.width:
            yield f"is x{now.width} wide, x{rule.width} was expected", False


def _counts(rule: Rule, link: LinkDocument, uptime_s: float | None) -> Iterator[tuple[str, bool]]:
    for severity in rule.zero:
        count = getattr(link.errors, severity)
        if count:
            yield f"{count} {severity} errors counted since boot, none was expected", severity != "correctable"
    if rule.correctable is None:
        return
    limit = Limit.parse(rule.correctable)
    for finding in link.error_findings:
        if is_link_error(finding) and limit.exceeded(finding.events, uptime_s):
            yield f"{finding.events} correctable link errors since boot, over the limit of {limit}", False
