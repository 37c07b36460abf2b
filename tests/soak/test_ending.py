"""What ends a soak: each rule by a moment that it alone ends, and their order."""

import signal
from typing import Any

import pytest

from probe.links.link import WhichEnd
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.ending import STOP_RULES, Moment, ending
from probe.soak.journal import Cause, LinkSample, Sample
from probe.soak.setup import Setup, Stops
from tests.compare.machines import drive, of, slot, snapshot

PLACE = "0000/0/01.0"
MACHINE = snapshot(of(slot(1, drive())))
STOPS = Stops(fatal=True, link_down=True, rate=True, temperature_c=80.0)


def moment(*recorded: Any, t: float = 30.0, heat: float = 40.0, **changes: Any) -> Moment:
    setup = Setup(sys="/sys", snapshot=MACHINE, links=MACHINE.links, planned_s=60.0, stops=STOPS)
    values: dict[str, Any] = {
        "setup": setup,
        "sample": Sample(t, {PLACE: LinkSample(16.0, 4, None, None, heat)}),
        "recorded": recorded,
        "counted": (),
        "baseline_t": 5.0,
        "ended": False,
        "interrupted": None,
    }
    return Moment(**values | changes)


def errors(severity: Severity, error: str, count: int, t: float = 20.0) -> CountedErrors:
    return CountedErrors(
        t=t,
        place_id=PLACE,
        end=WhichEnd.COMPONENT,
        function="0000:01:00.0",
        severity=severity,
        error=error,
        count=count,
    )


def event(kind: LinkEventKind) -> LinkEvent:
    return LinkEvent(t=30.0, place_id=PLACE, kind=kind, sentence="")


ENDING = (
    (Cause.INTERRUPTED, moment(interrupted=signal.SIGTERM)),
    (Cause.UNCORRECTABLE, moment(counted=[errors(Severity.FATAL, "Malformed TLP", 1, t=1.0)])),
    (Cause.LINK_LOST, moment(event(LinkEventKind.GONE), *[event(LinkEventKind.POWER)] * 50)),
    (Cause.ERROR_LIMIT, moment(counted=[errors(Severity.CORRECTABLE, "Bad TLP", 6)])),
    (Cause.TEMPERATURE, moment(event(LinkEventKind.CRITICAL))),
    (Cause.TEMPERATURE, moment(heat=80.0)),
    (Cause.PLANNED, moment(t=60.0)),
    (Cause.LOADS_ENDED, moment(ended=True)),
)


@pytest.mark.parametrize(("cause", "found"), ENDING)
def test_each_rule_alone_ends_its_moment(cause: Cause, found: Moment) -> None:
    assert [end.cause for rule in STOP_RULES if (end := rule(found)) is not None] == [cause]
    end = ending(found)
    assert end is not None
    assert end.complete == (cause is Cause.PLANNED)


def test_every_rule_and_every_cause_has_such_a_moment() -> None:
    assert {cause for cause, _ in ENDING} == set(Cause) - {Cause.RECORD}  # which no rule decides
    assert len(STOP_RULES) == len(ENDING)


@pytest.mark.parametrize(
    "found",
    [
        moment(),
        moment(event(LinkEventKind.LINK_UP), event(LinkEventKind.STATE), event(LinkEventKind.HOT)),
        moment(counted=[errors(Severity.CORRECTABLE, "Bad TLP", 5)]),
        moment(counted=[errors(Severity.CORRECTABLE, "Bad TLP", 99, t=4.0)]),  # before they count
        moment(counted=[errors(Severity.CORRECTABLE, "Bad TLP", 99)], baseline_t=None),
        moment(counted=[errors(Severity.CORRECTABLE, "Advisory Non-Fatal Error", 99)]),  # not of the lanes
        moment(heat=79.9),
        moment(t=59.9),
    ],
)
def test_what_ends_nothing(found: Moment) -> None:
    assert ending(found) is None


def critical(found: Moment) -> bool:
    """What ends it although nobody asked."""
    return any(getattr(entry, "kind", None) is LinkEventKind.CRITICAL for entry in found.recorded)


def test_nothing_ends_it_that_was_not_asked_for() -> None:
    quiet = Setup(sys="/sys", snapshot=MACHINE, links=MACHINE.links)
    unasked = {Cause.INTERRUPTED, Cause.LOADS_ENDED}
    for found in (found for cause, found in ENDING if cause not in unasked and not critical(found)):
        asked_nothing = Moment(**{name: getattr(found, name) for name in Moment.__struct_fields__} | {"setup": quiet})
        assert ending(asked_nothing) is None


def test_the_first_rule_names_the_cause() -> None:
    end = ending(moment(interrupted=signal.SIGINT, ended=True, t=60.0))
    assert end is not None
    assert (end.cause, end.why, end.complete) == (Cause.INTERRUPTED, "ended by SIGINT", False)
