"""How a link stands, in one word, the worst that is true of it."""

from typing import Any

import pytest
from msgspec.structs import replace

from probe.links.link import WhichEnd
from probe.links.state import LinkState
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind, Observed
from probe.observe.standing import LinkStanding, Standing
from probe.registers.errors import Severity
from probe.verdict.verdicts import Verdict
from tests.compare.machines import drive, of, slot, snapshot

(LINK,) = snapshot(of(slot(1, drive()))).links
BEST, SLOW, NARROW = LinkState(16.0, 4), LinkState(2.5, 4), LinkState(16.0, 2)


def event(kind: LinkEventKind, *, bad: bool = False) -> LinkEvent:
    return LinkEvent(t=1.0, place_id=LINK.place_id, kind=kind, sentence="x", bad=bad)


def errors(severity: Severity) -> CountedErrors:
    return CountedErrors(
        t=1.0, place_id=LINK.place_id, end=WhichEnd.PORT, function="x", severity=severity, error="Bad TLP", count=2
    )


GONE, BACK = event(LinkEventKind.GONE, bad=True), event(LinkEventKind.BACK)
DOWN, UP = event(LinkEventKind.LINK_DOWN, bad=True), event(LinkEventKind.LINK_UP)
CORRECTED, FATAL = errors(Severity.CORRECTABLE), errors(Severity.FATAL)


@pytest.mark.parametrize(
    ("happened", "state", "word"),
    [
        ((), BEST, "calm"),
        ((), SLOW, "below best"),
        ((), NARROW, "below best"),
        ((), LinkState(), "not read"),
        ((CORRECTED,), BEST, "errors"),
        ((CORRECTED, FATAL), BEST, "uncorrectable"),
        ((GONE,), BEST, "gone"),
        ((GONE, BACK), BEST, "had trouble"),
        ((DOWN,), LinkState(), "down"),
        ((event(LinkEventKind.UNANSWERED, bad=True),), LinkState(), "no answer"),
        ((event(LinkEventKind.UNREAD),), LinkState(), "not read"),
        ((DOWN, UP), BEST, "had trouble"),
        ((DOWN, GONE, UP, FATAL), SLOW, "gone"),
        ((DOWN, UP, CORRECTED), SLOW, "below best"),
    ],
)
def test_the_worst_word_that_is_true(happened: tuple[Observed, ...], state: LinkState, word: str) -> None:
    standing = LinkStanding(LINK)
    standing.state = state
    for entry in happened:
        standing.take(entry)
    assert standing.now() == word


@pytest.mark.parametrize(
    ("link", "state", "loaded", "word"),
    [
        ({"verdict": Verdict.RESTING}, SLOW, False, "resting"),
        ({"doubtful": True}, SLOW, False, "resting"),
        ({"verdict": Verdict.RESTING}, SLOW, True, "below best"),
        ({"verdict": Verdict.RESTING}, LinkState(2.5, 2), False, "below best"),
        ({"verdict": Verdict.RESTING}, BEST, False, "calm"),
    ],
)
def test_slower_is_rest_only_where_it_rested_before(
    link: dict[str, Any], state: LinkState, loaded: bool, word: str
) -> None:
    standing = LinkStanding(replace(LINK, **link))
    standing.state = state
    assert standing.now(loaded=loaded) == word


def test_the_words_have_an_order_and_two_are_calm() -> None:
    assert sorted(Standing, key=lambda word: word.rank) == list(Standing)
    assert [word for word in Standing if word.is_calm] == ["resting", "calm"]
