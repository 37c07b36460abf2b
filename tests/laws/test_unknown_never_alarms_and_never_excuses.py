"""What was not read is no change, no other component, no error and no pass: for diff, history, expect and collect.

Masking any part of the evidence may turn a comparison to "cannot tell", never to "replaced", to new errors or to passed.
"""

import msgspec
from hypothesis import Phase, given
from hypothesis import strategies as st

from fake_sysfs import Machine
from probe.audit.audit import audit
from probe.audit.outcome import exit_status as audit_status
from probe.audit.snapshot import Snapshot, take
from probe.compare.changes import Comparison, exit_status
from probe.compare.diff import compare, diff
from probe.compare.expectation_file import parse
from probe.compare.expectation_writing import to_toml
from probe.compare.expectations import deviations
from probe.compare.history import history
from probe.compare.rank import Rank
from probe.evidence import Evidence, FunctionEvidence
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from tests.compare.machines import drive, of, slot
from tests.search import search

HOUR_S = 3600.0
Mask = frozenset[tuple[int, str]]
STATES = st.sampled_from(("16 GT/s x4", "8 GT/s x4", "16 GT/s x2"))
COUNTS = st.dictionaries(st.sampled_from(("Receiver Error", "Bad TLP")), st.integers(0, 9), max_size=2)


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    ports = []
    for number in (1, 2):
        serial = draw(st.sampled_from((None, number)))
        counters = {"correctable": draw(COUNTS), "fatal": draw(st.sampled_from(({}, {"Malformed TLP": 1})))}
        card = drive(serial, draw(STATES), counters=counters, device=number)
        ports.append(slot(number, card) if draw(st.integers(0, 3)) else slot(number))
    return of(*ports)


@st.composite
def masks(draw: st.DrawFn) -> Mask:
    """Parts of functions, by their place in the list, that were not read.

    The files of the best state stay: without them and configuration space nothing says that there is a link at all.
    """
    parts = ("config", "extended", "vendor", "device", "subsystem_device", "current_link_speed", "current_link_width",
             "aer_dev_correctable", "aer_dev_nonfatal", "aer_dev_fatal",
             "power_state", "power/runtime_status")  # fmt: skip
    return frozenset(draw(st.lists(st.tuples(st.integers(0, 3), st.sampled_from(parts)), max_size=10)))


def masked(evidence: Evidence, mask: Mask) -> Evidence:
    functions = tuple(
        _masked(function, {part for number, part in mask if number == position})
        for position, function in enumerate(evidence.functions)
    )
    return msgspec.structs.replace(evidence, functions=functions)


def _masked(function: FunctionEvidence, parts: set[str]) -> FunctionEvidence:
    config = {
        start: text[: 2 * 64] if "config" in parts else text[: 2 * 256] if "extended" in parts else text
        for start, text in function.config.items()
        if not (parts & {"config", "extended"} and int(start, 16) >= (64 if "config" in parts else 256))
    }
    attributes = {name: text for name, text in function.attributes.items() if name not in parts}
    return msgspec.structs.replace(function, config=config, attributes=attributes)


def seen(described: Machine, hours: float, mask: Mask = frozenset()) -> Snapshot:
    evidence = read_machine(described.build().source())
    host = msgspec.structs.replace(evidence.host, uptime_s=hours * HOUR_S)
    return take(masked(msgspec.structs.replace(evidence, host=host), mask))


def worse(document: Comparison) -> set[tuple[str, str]]:
    return {(change.place, change.kind) for change in document.changes if change.rank is Rank.WORSE or change.urgent}


def counted(document: Comparison) -> dict[tuple[str, str, str, str], int]:
    return {(item.place, item.end, item.severity, item.error): item.count for item in document.counts}


@search(150)
@given(machines(), masks(), masks())
def test_a_machine_with_itself_masked(described: Machine, first: Mask, second: Mask) -> None:
    """Nothing changed, so nothing may be told that changed."""
    document = diff(seen(described, 1, first), seen(described, 2, second))
    assert document.counts == ()
    assert worse(document) == set()
    assert not {change.kind for change in document.changes} & {
        "replaced",
        "moved",
        "gone",
        "come",
        "errors",
        "function",
    }
    assert exit_status(document) in {ExitStatus.CLEAN, ExitStatus.NOTHING_JUDGED}


@search(150)
@given(machines(), machines(), masks(), masks())
def test_masking_adds_no_error_and_no_other_component(
    before: Machine, after: Machine, first: Mask, second: Mask
) -> None:
    whole = diff(seen(before, 1), seen(after, 2))
    part = diff(seen(before, 1, first), seen(after, 2, second))
    for key, count in counted(part).items():
        assert count <= counted(whole).get(key, 0)
    for kind in ("replaced", "gone", "come", "function"):
        assert {c.place for c in part.changes if c.kind == kind} <= {c.place for c in whole.changes if c.kind == kind}


@search(60, phases=(Phase.reuse, Phase.generate))
@given(machines(), machines(), masks(), masks())
def test_masking_never_passes(before: Machine, after: Machine, first: Mask, second: Mask) -> None:
    """What was found whole is found, or it cannot be told."""
    whole = diff(seen(before, 1), seen(after, 2))
    for part in (
        diff(seen(before, 1, first), seen(after, 2)),
        diff(seen(before, 1), seen(after, 2, second)),
        diff(seen(before, 1, first), seen(after, 2, second)),
    ):
        if exit_status(whole) in {ExitStatus.FOUND, ExitStatus.URGENT}:
            assert exit_status(part) is not ExitStatus.CLEAN


@search(100)
@given(machines(), masks())
def test_one_in_the_middle_that_was_not_read(described: Machine, mask: Mask) -> None:
    document = compare([seen(described, 1), seen(described, 2, mask), seen(described, 3)])
    assert document.changes == ()
    assert document.counts == ()


@search(100)
@given(machines(), masks())
def test_history(described: Machine, mask: Mask) -> None:
    whole = {row.place: row for row in history([seen(described, 1)]).places}
    part = {row.place: row for row in history([seen(described, 1, mask)]).places}
    assert part.keys() == whole.keys()
    for place, row in part.items():
        assert row.short <= whole[place].short
        assert row.short + row.unjudged >= whole[place].short
        assert (row.correctable, row.uncorrectable) <= (whole[place].correctable, whole[place].uncorrectable)


@search(150)
@given(machines(), machines(), masks())
def test_expectations(good: Machine, described: Machine, mask: Mask) -> None:
    rules = parse(to_toml(seen(good, 1).links, "a law").encode(), "expect.toml")
    evidence = seen(described, 1).evidence
    whole, part = (audit(item) for item in (evidence, masked(evidence, mask)))
    before, after = deviations(rules, whole), deviations(rules, part)
    told = {(item.rule, item.place) for item in before if not item.undecided}
    assert {(item.rule, item.place) for item in after if not item.undecided} <= told
    if told:
        assert after
        held = msgspec.structs.replace(part, deviations=after)
        assert audit_status(held) is not ExitStatus.CLEAN
