"""A record of a soak as JUnit XML: a test case a link and one for the run; inconclusive is an error, no pass."""

import xml.etree.ElementTree as ET

from probe.counted import counted
from probe.errors.attribution import sentence
from probe.result import Result
from probe.soak.at_least import told_share
from probe.soak.record import LinkOutcome, Record
from probe.soak.scope import Scope

_MACHINE = "this machine"
_RUN = "the run as a whole"
_KINDS = {Result.FAILED: "failure", Result.INCONCLUSIVE: "error"}
"""The elements of a case that did not pass; one that says nothing must never read as one that is well."""


def render(document: Record) -> bytes:
    """The XML text."""
    results = [document.result, *(item.result for item in document.links)]
    suite = ET.Element(
        "testsuite", name="linkprobe soak", tests=str(len(results)), failures=str(results.count(Result.FAILED)),
        errors=str(results.count(Result.INCONCLUSIVE)), time=f"{document.elapsed_s:.0f}", timestamp=document.started_at,
    )  # fmt: skip
    host = document.host or _MACHINE
    _case(suite, host, _RUN, document.result, document.reasons)
    for item in document.links:
        case = _case(suite, host, item.title, item.result, item.reasons)
        ET.SubElement(case, "system-out").text = "\n".join(_seen(item, document.scope))
    ET.indent(suite)
    text: bytes = ET.tostring(suite, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _case(suite: ET.Element, host: str, name: str, result: Result, reasons: tuple[str, ...]) -> ET.Element:
    case = ET.SubElement(suite, "testcase", classname=host, name=name)
    kind = _KINDS.get(result)
    if kind is not None:
        found = ET.SubElement(case, kind, message=reasons[0] if reasons else result, type=result)
        found.text = "\n".join(reasons)
    return case


def _seen(item: LinkOutcome, scope: Scope | None) -> list[str]:
    heat = "" if item.hottest_c is None else f", hottest {item.hottest_c:.0f} C"
    kinds = counted(len(item.errors), "kind of errors", "kinds of errors")
    errors = "errors not counted" if item.errors_counted is False else kinds
    told = f"best {item.best}, worst {item.worst}, {counted(item.transitions, 'transition')}, {errors}{heat}"
    asked = "" if scope is None or scope.at_least is None else f", at least {scope.at_least:.4g} asked for"
    share = (
        [] if item.slowest_share is None else [f"slowest way {told_share(item.slowest_share)} of its ceiling{asked}"]
    )
    return [told, *share, *map(sentence, item.errors)]
