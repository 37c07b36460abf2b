"""The record of a qualification as JUnit XML: a test case a step and link; inconclusive is an error, no pass."""

from xml.etree import ElementTree as ET

from probe.qualify.document import RecordSummary, StepOutcome
from probe.result import Result

_ELEMENTS = {Result.FAILED: "failure", Result.INCONCLUSIVE: "error"}


def render(document: RecordSummary) -> bytes:
    """The XML text."""
    judged = document.judged
    suite = ET.Element("testsuite", name=f"linkprobe qualify: {judged.title}", time=f"{judged.seconds:.3f}")
    suite.set("timestamp", judged.began_at)
    for step in judged.steps:
        _step(suite, step)
    for element in _ELEMENTS.values():
        suite.set(f"{element}s", str(len(suite.findall(f"testcase/{element}"))))
    suite.set("tests", str(len(suite.findall("testcase"))))
    told = ET.SubElement(suite, "system-out")
    told.text = "\n".join(f"not tested: {item.what}: {item.why}" for item in judged.not_tested)
    ET.indent(suite)
    text: bytes = ET.tostring(suite, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _step(suite: ET.Element, step: StepOutcome) -> None:
    if not step.links:
        _case(suite, step, step.name, step.result, step.reasons)
        return
    for link in step.links:
        _case(suite, step, link.title, link.result, link.reasons)
    if step.result is not Result.PASSED and all(link.result is Result.PASSED for link in step.links):
        _case(suite, step, "the step as a whole", step.result, step.reasons)


def _case(suite: ET.Element, step: StepOutcome, name: str, result: Result, reasons: tuple[str, ...]) -> None:
    case = ET.SubElement(suite, "testcase", classname=f"{step.number} {step.name}", name=name)
    case.set("time", f"{step.seconds or 0.0:.3f}")
    if result is not Result.PASSED:
        told = ET.SubElement(case, _ELEMENTS[result], message=reasons[0] if reasons else str(result), type=str(result))
        told.text = "\n".join((*reasons, f"asked: {step.asked}", f"limit: {step.limit}"))
