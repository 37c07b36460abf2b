"""The one sentence of a link: each verdict's, and what stands before a verdict."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from probe.audit.document import LinkDocument
from probe.audit.verdict_headline import headline

One = Callable[[Machine | Tree], LinkDocument]
PORT, CARD = "0000:00:01.0", "0000:01:00.0"
BEST = "16 GT/s x16"


def one(state: str = BEST, trained: str | None = None, **changes: object) -> Machine:
    on_port = {name: changes.pop(name) for name in ("slot", "target_gts") if name in changes}
    return machine(root_port(PORT, BEST, **on_port).holds(card(state, trained=trained, **changes)))


SENTENCES: dict[str, tuple[Machine, str]] = {
    "full": (one(), "runs at the best both ends can do"),
    "empty": (machine(root_port(PORT, BEST, slot=3)), "nothing attached"),
    "limited in both": (
        machine(root_port(PORT, "8 GT/s x8").holds(card(BEST))),
        "limited in speed and width by its slot; the component could do more in a better one",
    ),
    "limited in width": (
        machine(root_port(PORT, "16 GT/s x8").holds(card(BEST))),
        "limited in width by its slot; the component could do more in a better one",
    ),
    "limited in speed": (
        machine(root_port(PORT, "8 GT/s x16").holds(card(BEST))),
        "limited in speed by its slot; the component could do more in a better one",
    ),
    "narrow": (one(trained="16 GT/s x8"), "trained to 16 GT/s x8 where both ends can do 16 GT/s x16"),
    "held": (
        one(trained="8 GT/s x16", target_gts=8.0),
        "held at 8 GT/s; both ends can do 16 GT/s x16",
    ),
}


@pytest.mark.parametrize("name", SENTENCES)
def test_the_sentence_of_a_verdict(name: str, judge_one: One) -> None:
    described, begins = SENTENCES[name]
    assert headline(judge_one(described)).startswith(begins)


def test_an_uncorrectable_error_stands_before_the_verdict(judge_one: One) -> None:
    counters = {"fatal": {"DLP": 2}, "nonfatal": {"TLP": 1}}
    told = headline(judge_one(one(counters=counters)))
    assert told == "2 fatal errors and 1 non-fatal error counted since boot; the link is full"


@pytest.mark.parametrize(
    ("possible", "trained", "told"),
    [
        ("16 GT/s x16", "16 GT/s x8", "; suspect lanes 8 to 15"),
        ("16 GT/s x2", "16 GT/s x1", "; suspect lane 1"),
        ("16 GT/s x16", "8 GT/s x16", None),
    ],
)
def test_suspect_lanes(judge_one: One, possible: str, trained: str, told: str | None) -> None:
    """AMD PG213 and PG156, "Link Partner Supports Fewer Lanes": a narrower link forms on the lanes from 0 on."""
    link = judge_one(machine(root_port(PORT, possible).holds(card(possible, trained=trained))))
    assert headline(link).endswith(told) if told else "suspect" not in headline(link)
