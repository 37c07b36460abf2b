"""Every kind of change as values: its rank, whether it can wait, and what it says."""

import pytest

from probe.compare.changes import Alteration, Change, InBetween, in_order, told
from probe.compare.growth import StatusBits
from probe.compare.host import HostChanged
from probe.compare.identity import Identity
from probe.compare.logged import Logged
from probe.compare.presence_changes import Came, FunctionChanged, Gone, Moved, PortChanged, Replaced
from probe.compare.quantities import BY_NAME, QuantityChanged, text
from probe.compare.rank import Rank
from probe.compare.removal import Removal, Way
from probe.compare.sight import NotCompared, When
from probe.compare.unclaimed import Unclaimed
from probe.errors.log_events import EventKind, LogEvent
from probe.links.link import WhichEnd
from probe.registers.errors import CORRECTABLE_NAMES, UNCORRECTABLE_NAMES, Severity
from probe.registers.packet_header import decode_header
from probe.verdict.verdicts import Verdict

WORSE, NEUTRAL, BETTER = Rank
PORT, COMPONENT = WhichEnd


def gone(way: Way = Way.NOT_KNOWN, *, with_port: bool = False, below: tuple[str, ...] = ()) -> Gone:
    return Gone(
        place="slot 1",
        component="a card",
        identity="serial x",
        removal=Removal(way, ("line",)),
        with_port=with_port,
        below=below,
    )


@pytest.mark.parametrize(
    ("way", "asked"),
    [
        (Way.BUTTON, True), (Way.POWER_OFF, True), (Way.SOFTWARE, True), (Way.POWER_FAULT, False), (Way.SURPRISE, False),
        (Way.CONTAINMENT, False), (Way.NOT_KNOWN, False),
    ],
)  # fmt: skip
def test_what_somebody_asked_for_is_no_trouble(way: Way, *, asked: bool) -> None:
    change = gone(way)
    assert change.rank is (NEUTRAL if asked else WORSE)
    assert change.urgent is not asked
    assert change.evidence == "component before: serial x; after: none; line"
    assert change.sentence.startswith("a card is gone")
    assert (change.sentence == "a card is gone") is (way is Way.NOT_KNOWN)


def test_what_went_with_it() -> None:
    assert gone(with_port=True).sentence == "a card is gone, and so is its port"
    assert gone(below=("a", "b")).sentence == "a card is gone, with 2 places below it"
    assert gone(below=("a",)).sentence == "a card is gone, with 1 place below it"
    assert gone(below=("a", "b")).evidence.endswith("; below it: a, b")
    both = gone(Way.SURPRISE, with_port=True, below=("a",)).sentence
    assert both == "a card is gone: pulled, or lost its link, without notice, and so is its port, with 1 place below it"


def test_who_came_moved_and_was_replaced() -> None:
    came = Came(place="slot 1", component="a card", identity="serial x", below=("a",))
    assert (came.rank, came.urgent) == (BETTER, False)
    assert came.sentence == "a card is there that was not before, with 1 place below it"
    assert came.evidence == "component before: none; after: serial x"
    moved = Moved(place="slot 1", source="slot 2", component="a card", serial="x")
    assert (moved.rank, moved.urgent, moved.sentence) == (NEUTRAL, False, "a card moved here from slot 2")
    replaced = Replaced(place="slot 1", before="a", after="b", before_identity="x", after_identity="y")
    assert (replaced.rank, replaced.urgent, replaced.sentence) == (NEUTRAL, False, "a was replaced by b")
    assert replaced.evidence == "component before: x; after: y"


@pytest.mark.parametrize(("there", "port", "function"), [(True, BETTER, NEUTRAL), (False, WORSE, WORSE)])
def test_ports_and_functions_that_went_cannot_wait(*, there: bool, port: Rank, function: Rank) -> None:
    one, other = (
        PortChanged(place="p", there=there),
        FunctionChanged(place="p", component="a card", function="f", there=there),
    )
    assert (one.rank, one.urgent, other.rank, other.urgent) == (port, not there, function, not there)
    assert one.sentence == ("a port is there that was not before" if there else "the port is gone")
    what = "is there that was not before" if there else "is gone, while others of its component are there"
    assert other.sentence == f"function f of a card {what}"


@pytest.mark.parametrize("error", [*CORRECTABLE_NAMES, *UNCORRECTABLE_NAMES])
def test_an_uncorrectable_status_bit_that_was_set_is_worse(error: str) -> None:
    seen, cleared = (StatusBits(place="p", end=PORT, error=error, seen=seen) for seen in (True, False))
    assert seen.rank is (NEUTRAL if error in CORRECTABLE_NAMES else WORSE)
    assert cleared.rank is NEUTRAL
    assert seen.evidence == f"error status of the port: {error} clear before, set after"
    assert cleared.evidence == f"error status of the port: {error} set before, clear after"
    assert cleared.sentence == f"the {error} bit at the port was cleared"


def test_a_status_bit_points_as_its_error_does() -> None:
    bad = StatusBits(place="p", end=COMPONENT, error="Bad TLP", seen=True).sentence
    assert bad == "at least one Bad TLP at the component, which no counter tells of; suspect host to component"
    plain = StatusBits(place="p", end=COMPONENT, error="Completion Timeout", seen=True).sentence
    assert plain == "at least one Completion Timeout at the component, which no counter tells of"


@pytest.mark.parametrize(
    ("severity", "rank"), [(Severity.CORRECTABLE, NEUTRAL), (Severity.NONFATAL, WORSE), (Severity.FATAL, WORSE)]
)
def test_unclaimed_errors(severity: Severity, rank: Rank) -> None:
    change = Unclaimed(place="p", severity=severity, count=1, total=3)
    assert (change.rank, change.urgent) == (rank, rank is WORSE)
    assert change.sentence == f"1 {severity.words} error came to this Root Port that no component below it claims"
    assert change.evidence.endswith(": 3 more, 2 of them claimed below")
    assert Unclaimed(place="p", severity=severity, count=2, total=3).sentence.startswith(
        f"2 {severity.words} errors came"
    )


URGENT_KINDS = {EventKind.CONTAINMENT, EventKind.POWER_FAULT}
BAD_KINDS = {*URGENT_KINDS, EventKind.LINK_DOWN, EventKind.SPEED_HELD, EventKind.COMPLETION_TIMEOUT}


@pytest.mark.parametrize("kind", EventKind)
@pytest.mark.parametrize("severity", [None, *Severity])
def test_what_was_logged(kind: EventKind, severity: Severity | None) -> None:
    change = Logged(place="p", event=LogEvent(kind=kind, address=None, time_s=None, text="line", severity=severity))
    uncorrectable = severity in {Severity.NONFATAL, Severity.FATAL}
    assert change.urgent is (uncorrectable or kind in URGENT_KINDS)
    assert change.rank is (WORSE if uncorrectable or kind in BAD_KINDS else NEUTRAL)
    words = f"{severity.words} " if severity is not None and uncorrectable else ""
    assert change.sentence == f"the kernel logged: {words}{kind}"
    assert change.evidence == "kernel log: line"


def test_what_was_logged_in_full() -> None:
    event = LogEvent(
        kind=EventKind.ERROR, address="a", time_s=12.5, text="line", severity=Severity.FATAL, errors=("A", "B"),
        header=decode_header((0x40000001, 0, 0, 0)),
    )  # fmt: skip
    change = Logged(place="p", event=event, times=3)
    assert change.sentence == "the kernel logged: fatal error (A, B on a memory write), 3 times"
    assert change.evidence == "kernel log at 12.500 s: line"


@pytest.mark.parametrize(
    ("name", "before", "after", "rank", "sentence"),
    [
        ("speed", 16.0, 8.0, WORSE, "speed fell from 16 GT/s to 8 GT/s"),
        ("speed", 2.5, 8.0, BETTER, "speed rose from 2.5 GT/s to 8 GT/s"),
        ("width", 16, 8, WORSE, "width fell from x16 to x8"),
        ("width", 1, 2, BETTER, "width rose from x1 to x2"),
        ("answers", True, False, WORSE, "the component no longer answers"),
        ("answers", False, True, BETTER, "the component answers again"),
        ("verdict", Verdict.FULL, Verdict.DOWNTRAINED, WORSE, "was full, is downtrained"),
        ("verdict", Verdict.CAPPED, Verdict.FULL, BETTER, "was capped, is full"),
        ("verdict", Verdict.CAPPED, Verdict.DOWNTRAINED, NEUTRAL, "was capped, is downtrained"),
        ("verdict", Verdict.FULL, Verdict.LIMITED, NEUTRAL, "was full, is limited"),
        ("Target Link Speed", 16.0, 8.0, NEUTRAL, "Target Link Speed changed from 16 GT/s to 8 GT/s"),
        ("Max_Payload_Size", 128, 256, NEUTRAL, "Max_Payload_Size changed from 128 to 256"),
        ("lanes in error", {PORT: ()}, {PORT: (1, 2)}, WORSE, "lanes in error: none before, port: 1, 2 now"),
        ("lanes in error", {PORT: (1,), COMPONENT: (2,)}, {PORT: (1,), COMPONENT: ()}, BETTER,
         "lanes in error: component: 2; port: 1 before, port: 1 now"),
        ("lanes in error", {PORT: (1,)}, {PORT: (2,)}, WORSE, "lanes in error: port: 1 before, port: 2 now"),
        ("equalization", {PORT: ("8", "16")}, {PORT: ("8",)}, WORSE,
         "equalization complete at port: 8, 16 before, at port: 8 now (GT/s)"),
        ("equalization", {PORT: ()}, {PORT: ("8",)}, BETTER, "equalization complete at no rate before, at port: 8 now (GT/s)"),
        ("driver", "a", "b", NEUTRAL, "driver changed from a to b"),
    ],
)  # fmt: skip
def test_a_quantity(name: str, before: object, after: object, rank: Rank, sentence: str) -> None:
    row = BY_NAME[name]
    assert row.rank(before, after) is rank
    assert row.said(name, before, after) == sentence


@pytest.mark.parametrize(("rank", "urgent"), [(WORSE, True), (BETTER, False)])
def test_only_silence_cannot_wait(rank: Rank, *, urgent: bool) -> None:
    assert QuantityChanged(place="p", name="answers", before=True, after=False, rank=rank).urgent is urgent
    other = QuantityChanged(place="p", name="speed", before=16.0, after=8.0, rank=rank)
    assert not other.urgent
    assert other.evidence == "speed: 16 GT/s before, 8 GT/s after"
    assert other.kind == "speed"


def test_values_in_words() -> None:
    assert (text(True), text(False), text(2.5), text(16.0), text(4), text("a")) == (
        "yes",
        "no",
        "2.5 GT/s",
        "16 GT/s",
        "4",
        "a",
    )


def test_a_value_of_the_machine() -> None:
    assert HostChanged(name="kernel", before=None, after="6.12").sentence == "kernel changed from none to 6.12"
    assert HostChanged(name="kernel", before="6.1", after=None).sentence == "kernel changed from 6.1 to none"


@pytest.mark.parametrize(
    ("read_in", "sentence", "evidence"),
    [
        (When.BEFORE, "speed, width no longer readable", "read before only, at a, b, c and 1 more"),
        (When.AFTER, "speed, width not readable before, so not compared", "read after only, at a, b, c and 1 more"),
        (When.NEVER, "speed, width of what is here now could not be read", "read in neither snapshot"),
    ],
)
def test_what_was_not_compared(read_in: When, sentence: str, evidence: str) -> None:
    change = NotCompared(place="p", places=("a", "b", "c", "d"), quantities=("speed", "width"), read_in=read_in)
    assert (change.sentence, change.evidence) == (sentence, evidence)
    three = NotCompared(place="p", places=("a", "b", "c"), quantities=("speed",), read_in=When.BEFORE)
    assert three.evidence == "read before only, at a, b, c"
    one = NotCompared(place="p", places=("a",), quantities=("speed",), read_in=When.BEFORE)
    assert one.evidence == "read before only, at a"


def test_what_came_and_went_in_between() -> None:
    change = InBetween(first=1, second=2, what=gone())
    assert (change.place, change.kind, change.rank, change.urgent) == ("slot 1", "gone", WORSE, True)
    assert change.sentence == "between snapshots 1 and 2: a card is gone; not so in the last"
    assert change.evidence == gone().evidence


def change(place: str, rank: Rank, *, urgent: bool = False, kind: str = "k", sentence: str = "s") -> Change:
    return Change(rank=rank, kind=kind, place=place, sentence=sentence, evidence="", urgent=urgent)


def test_the_most_pressing_comes_first() -> None:
    wanted = [
        change("b", WORSE, urgent=True), change("a", NEUTRAL, urgent=True), change("a", WORSE), change("b", WORSE),
        change("a", NEUTRAL, kind="j"), change("a", NEUTRAL, kind="k", sentence="r"), change("a", NEUTRAL, kind="k"),
        change("a", BETTER),
    ]  # fmt: skip
    assert list(in_order(reversed(wanted))) == wanted
    (first, second) = told([HostChanged(name="kernel", before="a", after="b"), gone()])
    assert (first.what, second.kind) == (gone(), "host")
    assert (first.urgent, first.rank, first.place) == (True, WORSE, "slot 1")
    assert Alteration("p", "n", None, "x").before is None


@pytest.mark.parametrize(
    ("identity", "shown"),
    [
        (Identity(serial="x", vendor_id="0x1"), "serial x"), (Identity(), "not read"),
        (Identity(vendor_id="0x1", device_id="0x2"), "0x1:0x2"), (Identity(vendor_id="0x1"), "0x1:?"),
        (Identity(device_id="0x2"), "?:0x2"),
        (Identity(vendor_id="0x1", device_id="0x2", subsystem_id="0x3:0x4"), "0x1:0x2 subsystem 0x3:0x4"),
    ],
)  # fmt: skip
def test_an_identity_in_a_word(identity: Identity, shown: str) -> None:
    assert identity.shown == shown


def test_an_identity_is_filled_from_what_was_known() -> None:
    known = Identity(serial="x", vendor_id="0x1", device_id="0x2", subsystem_id="0x3", speaker=(0, 0))
    assert Identity(speaker=(0, 0)).filled_from(known) == known
    assert Identity(speaker=(0, 1)).filled_from(known) == Identity(serial="x", speaker=(0, 1))
    other = Identity(serial="y", vendor_id="0x9", device_id="0x8", subsystem_id="0x7", speaker=(0, 0))
    assert other.filled_from(known) == other
