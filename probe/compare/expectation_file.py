"""Expectations read from TOML text, with every value checked."""

import tomllib
from collections.abc import Iterator

import msgspec

from probe.compare.expectations import Expectations, Rule
from probe.documents.toml import in_words
from probe.errors.limits import Limit
from probe.exceptions import DocumentError, InputError
from probe.registers.errors import Severity
from probe.registers.values import SPEED_GTS, WIDTHS
from probe.schemas import Schema

EXPECTATIONS_BYTES = 16 << 20
"""The most that is read of a file of expectations: a hundred thousand rules."""
_REMEDY = "correct it, or write one from a known-good machine: linkprobe expect write -o FILE"


def parse(content: bytes, name: str) -> Expectations:
    """The expectations in a TOML file. Raises DocumentError, which names the rule and what is wrong with it."""
    try:
        found = msgspec.convert(tomllib.loads(content.decode("utf-8-sig")), Expectations)
    except UnicodeDecodeError as error:
        what = f"is not UTF-8 text (byte {error.start})"
        raise DocumentError(what, where=name, remedy="save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise DocumentError(f"is not TOML ({error})", where=name, remedy=_REMEDY) from error
    except (RecursionError, ValueError) as error:  # nested deeply, or a number of thousands of digits
        if isinstance(error, msgspec.ValidationError):
            what = f"does not say what it should ({in_words(error)})"
            raise DocumentError(what, where=name, remedy=_REMEDY) from error
        what = "is nested too deeply" if isinstance(error, RecursionError) else "has a number that is too long"
        raise DocumentError(what, where=name, remedy=_REMEDY) from error
    if found.schema != Schema.EXPECTATIONS:
        raise DocumentError(f"is a {found.schema} document", where=name, remedy=_REMEDY)
    if not found.rule:
        raise DocumentError("has no rule, so nothing would be held to it", where=name, remedy=_REMEDY)
    for number, rule in enumerate(found.rule, start=1):
        for fault, remedy in _faults(rule):
            named = f"rule {number} ({rule})" if str(rule) else f"rule {number}"
            raise DocumentError(f"{named} {fault}", where=name, remedy=remedy)
    return found


def _faults(rule: Rule) -> Iterator[tuple[str, str]]:
    """What is wrong with a rule, each with what to do."""
    if not str(rule):
        yield "picks nothing", "give it a slot, path or device"
    severities = [item.value for item in Severity]
    unknown = set(rule.zero) - set(severities)
    if unknown:
        yield f"asks for zero {', '.join(sorted(unknown))} errors", f"choose among {', '.join(severities)}"
    if rule.speed_gts is not None and rule.speed_gts not in SPEED_GTS.values():
        speeds = ", ".join(f"{speed:g}" for speed in SPEED_GTS.values())
        yield f"has speed_gts = {rule.speed_gts:g}, which no link can run at", f"choose among {speeds}"
    if rule.width is not None and rule.width not in WIDTHS:
        yield f"has width = {rule.width}, which no link can have", f"choose among {', '.join(map(str, sorted(WIDTHS)))}"
    if rule.at_least < 1:
        yield f"has at_least = {rule.at_least}", "give 1 or more"
    if rule.at_least != 1 and rule.device is None:
        yield "has at_least without a device to count", "give it a device"
    if rule.empty and (rule.asks_for_a_component or rule.device is not None):
        yield "asks for an empty place and for something in it", "take one of the two away"
    if rule.correctable is not None:
        try:
            Limit.parse(rule.correctable)
        except InputError as error:
            yield f"has correctable = {error.where}, which {error.what}", error.remedy
