"""The page of an audit takes its outcome from the audit and makes none of its own."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.document import AuditDocument, Deviation
from probe.render import styles
from probe.render.html import audit as page

Judge = Callable[[Machine | Tree], AuditDocument]


def one(trained: str | None = None, **attributes: str) -> Machine:
    below = card("16 GT/s x4", trained=trained, attributes=attributes)
    return machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(below))


@pytest.mark.parametrize(
    ("described", "told", "colour"),
    [
        (one(), "nothing to report", styles.GOOD),
        (one("8 GT/s x4"), "something was found", styles.BAD),
        (one().build().silent("0000:01:00.0"), "something was found that cannot wait", styles.BAD),
        (one(removable="removable"), "nothing could be judged", styles.BAD),
    ],
)
def test_outcome(described: Machine | Tree, told: str, colour: str, judge: Judge) -> None:
    drawn = page.render(judge(described))
    assert (drawn.verdict, drawn.colour) == (told, colour)


def test_a_deviation_is_a_reason(judge: Judge) -> None:
    document = judge(one())
    held = Deviation(rule='slot = "1"', place=None, sentence="holds nothing")
    document = AuditDocument(host=document.host, summary={}, links=document.links, deviations=(held,))
    assert page.render(document).reasons == ('slot = "1": holds nothing',)
