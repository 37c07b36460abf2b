"""A comparison as JUnit XML, for continuous integration: a test case a place, a failure a change for the worse."""

from collections import defaultdict
from xml.etree import ElementTree as ET

from probe.compare.changes import Change, Comparison
from probe.compare.rank import Rank

_MACHINE = "this machine"


def render(document: Comparison) -> bytes:
    """The XML text."""
    by_place: dict[str, list[Change]] = defaultdict(list)
    for change in document.changes:
        by_place[change.place].append(change)
    places = sorted({*document.titles.values(), *by_place, _MACHINE})
    failed = sum(any(change.rank is Rank.WORSE for change in by_place[place]) for place in places)
    suite = ET.Element("testsuite", name="linkprobe diff", tests=str(len(places)), failures=str(failed))
    if document.elapsed_s is not None:
        suite.set("time", f"{document.elapsed_s:.0f}")
    for place in places:
        case = ET.SubElement(suite, "testcase", classname=document.host or _MACHINE, name=place)
        worse = [change for change in by_place[place] if change.rank is Rank.WORSE]
        if worse:
            failure = ET.SubElement(case, "failure", message=worse[0].sentence, type=worse[0].kind)
            failure.text = "\n".join(f"{change.sentence} [{change.evidence}]" for change in worse)
        rest = [change for change in by_place[place] if change.rank is not Rank.WORSE]
        if rest:
            output = ET.SubElement(case, "system-out")
            output.text = "\n".join(f"{change.rank}: {change.sentence} [{change.evidence}]" for change in rest)
    ET.indent(suite)
    text: bytes = ET.tostring(suite, encoding="utf-8", xml_declaration=True)
    return text + b"\n"
