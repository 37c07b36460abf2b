"""Which way each error points, what is told of a finding, where a limit begins."""

import pytest

from probe.errors.attribution import (
    NO_DIRECTION,
    TO_COMPONENT,
    TO_HOST,
    ErrorFinding,
    ErrorRow,
    direction,
    findings,
    is_data_error,
    is_link_error,
    sentence,
)
from probe.errors.counts import ErrorCount
from probe.errors.kinds import ERROR_KINDS, UNKNOWN, Pointing, kind_of
from probe.errors.limits import Limit, Limits
from probe.exceptions import InputError
from probe.links.link import WhichEnd
from probe.registers.errors import CORRECTABLE_NAMES, LINK_ERRORS, UNCORRECTABLE_NAMES, Severity

PORT, COMPONENT = WhichEnd
CORRECTABLE, NONFATAL, FATAL = Severity
F0, F1, ROOT = "0000:01:00.0", "0000:01:00.1", "0000:00:01.0"

# Base Specification 6.x, 6.2.7 and table 6-5 (from memory): who detects each error, the receiver or the transmitter.
DETECTED_BY_THE_RECEIVER = {
    "Receiver Error", "Bad TLP", "Bad DLLP", "Data Link Protocol Error", "Surprise Down Error",
    "Flow Control Protocol Error", "Receiver Overflow",
}  # fmt: skip
DETECTED_BY_THE_TRANSMITTER = {"REPLAY_NUM Rollover", "Replay Timer Timeout"}


@pytest.mark.parametrize("name", [*CORRECTABLE_NAMES, *UNCORRECTABLE_NAMES])
def test_which_way_each_error_points(name: str) -> None:
    kind = kind_of(name)
    assert kind is ERROR_KINDS[name]
    if name in DETECTED_BY_THE_RECEIVER:
        assert kind.pointing is Pointing.OTHER_END
        assert (direction(PORT, name), direction(COMPONENT, name)) == (TO_HOST, TO_COMPONENT)
    elif name in DETECTED_BY_THE_TRANSMITTER:
        assert kind.pointing is Pointing.OWN_END
        assert (direction(PORT, name), direction(COMPONENT, name)) == (TO_COMPONENT, TO_HOST)
    else:
        assert kind.pointing is Pointing.NEITHER
        assert (direction(PORT, name), direction(COMPONENT, name)) == (NO_DIRECTION, NO_DIRECTION)


def test_an_error_that_nobody_knows_points_nowhere() -> None:
    assert kind_of("BrandNewErr") is UNKNOWN
    assert UNKNOWN.pointing is Pointing.NEITHER


@pytest.mark.published("illumos usr/src/cmd/fm/eversholt/files/common/pciex.esc: link errors are those of the wire")
def test_the_errors_of_the_lanes() -> None:
    assert set(LINK_ERRORS) == {
        "Receiver Error", "Bad TLP", "Bad DLLP", "REPLAY_NUM Rollover", "Replay Timer Timeout",
    }  # fmt: skip
    assert all(kind_of(name).pointing is not Pointing.NEITHER for name in LINK_ERRORS)
    for name in CORRECTABLE_NAMES:
        (found,) = findings([ErrorCount(PORT, ROOT, CORRECTABLE, name, 1)])
        assert is_link_error(found) is (name in LINK_ERRORS)


@pytest.mark.parametrize("name", [*CORRECTABLE_NAMES, *UNCORRECTABLE_NAMES])
def test_errors_of_the_data(name: str) -> None:
    severity = CORRECTABLE if name in CORRECTABLE_NAMES else NONFATAL
    (found,) = findings([ErrorCount(PORT, ROOT, severity, name, 1)])
    assert is_data_error(found) is (name in {"Poisoned TLP Received", "ECRC Error", "Poisoned TLP Egress Blocked"})


def test_an_uncorrectable_error_of_the_lanes_is_no_link_error_of_the_limit() -> None:
    (found,) = findings([ErrorCount(PORT, ROOT, FATAL, "Data Link Protocol Error", 9)])
    assert found.direction == TO_HOST
    assert not is_link_error(found)


def test_rows_of_a_finding_stand_most_first_then_by_name_then_by_end() -> None:
    (found,) = findings([
        ErrorCount(COMPONENT, F0, CORRECTABLE, "Bad TLP", 2), ErrorCount(COMPONENT, F0, CORRECTABLE, "Bad DLLP", 2),
        ErrorCount(COMPONENT, F0, CORRECTABLE, "Receiver Error", 5), ErrorCount(PORT, ROOT, CORRECTABLE, "Replay Timer Timeout", 3),
    ])  # fmt: skip
    assert [(row.error, row.count) for row in found.rows] == [
        ("Receiver Error", 5), ("Replay Timer Timeout", 3), ("Bad DLLP", 2), ("Bad TLP", 2),
    ]  # fmt: skip
    assert found.events == 5
    assert found.rows[0].meaning == ERROR_KINDS["Receiver Error"].meaning
    assert found.rows[0].causes == ERROR_KINDS["Receiver Error"].causes


def test_the_function_that_counted_most_speaks_for_its_end() -> None:
    for counts in (((F0, 4), (F1, 9)), ((F1, 9), (F0, 4)), ((F0, 9), (F1, 9))):
        (found,) = findings([ErrorCount(COMPONENT, f, CORRECTABLE, "Receiver Error", n) for f, n in counts])
        assert found.events == 9
        assert found.rows[0].function == (F0 if counts[0] == (F0, 9) else F1)
        assert len(found.rows) == 1


def test_errors_that_point_nowhere_are_each_a_finding_of_their_own() -> None:
    found = findings([
        ErrorCount(COMPONENT, F0, NONFATAL, "Completion Timeout", 1), ErrorCount(COMPONENT, F0, NONFATAL, "Completer Abort", 2),
        ErrorCount(PORT, ROOT, NONFATAL, "Completion Timeout", 3),
    ])  # fmt: skip
    assert [(item.rows[0].error, item.events, len(item.rows)) for item in found] == [
        ("Completer Abort", 2, 1), ("Completion Timeout", 3, 2),
    ]  # fmt: skip


def finding(*rows: tuple[str, int, WhichEnd], severity: Severity = CORRECTABLE, way: str = TO_HOST) -> ErrorFinding:
    made = tuple(ErrorRow(name, count, end, F0, "", "") for name, count, end in rows)
    return ErrorFinding(severity, way, max(row.count for row in made), made)


@pytest.mark.parametrize(
    ("found", "floor", "words"),
    [
        (finding(("Bad TLP", 1, PORT)), False, "1 correctable error; suspect component to host (Bad TLP 1 at the port)"),
        (finding(("Bad TLP", 2, PORT)), False, "2 correctable errors; suspect component to host (Bad TLP 2 at the port)"),
        (finding(("Bad TLP", 2, PORT)), True,
         "at least 2 correctable errors; suspect component to host (Bad TLP 2 at the port)"),
        (finding(("Bad TLP", 2, PORT), ("Replay Timer Timeout", 1, COMPONENT)), False,
         "at least 2 correctable errors; suspect component to host"
         " (Bad TLP 2 at the port, Replay Timer Timeout 1 at the component)"),
        (finding(("Completion Timeout", 1, PORT), severity=NONFATAL, way=NO_DIRECTION), False,
         "1 non-fatal error (Completion Timeout 1 at the port)"),
    ],
)  # fmt: skip
def test_a_finding_in_words(found: ErrorFinding, *, floor: bool, words: str) -> None:
    assert sentence(found, floor=floor) == words


LINK = finding(("Bad TLP", 6, PORT))
DATA = finding(("ECRC Error", 3, PORT), severity=NONFATAL, way=NO_DIRECTION)


@pytest.mark.parametrize(
    ("errors", "elapsed_h", "exceeded"),
    [
        (5, 1.0, False), (6, 1.0, True), (7, 1.0, True), (6, 2.0, True), (5, None, False), (6, None, True),
        (6, 2.01, False), (12, 4.0, True), (11, 4.0, False), (13, 4.0, True), (72, 24.0, True), (71, 24.0, False),
    ],
)  # fmt: skip
@pytest.mark.published("illumos usr/src/cmd/fm/eversholt/files/common/pciex.esc: 6 in 2 hours")
def test_six_in_two_hours(errors: int, elapsed_h: float | None, *, exceeded: bool) -> None:
    """Over a longer time than the window the average must reach 3 an hour: then some two hours held six."""
    assert Limits().correctable.exceeded(errors, None if elapsed_h is None else elapsed_h * 3600.0) is exceeded


@pytest.mark.published("illumos usr/src/cmd/fm/eversholt/files/common/pciex.esc: 6 in 2 hours, 3 in 168 hours")
def test_the_published_limits() -> None:
    limits = Limits()
    assert (limits.correctable, limits.data) == (Limit(6, 2.0), Limit(3, 168.0))
    assert (limits.correctable.seconds, limits.data.seconds) == (7200.0, 604_800.0)
    assert (str(limits.correctable), str(limits.data)) == ("6/2h", "3/168h")


def test_which_limit_a_finding_proves_exceeded() -> None:
    limits = Limits()
    assert limits.proven_by(LINK, 3600.0) == limits.correctable
    assert limits.proven_by(LINK, 7200.0) == limits.correctable
    assert limits.proven_by(LINK, 7201.0) is None
    assert limits.proven_by(LINK, None) is None
    assert limits.proven_by(finding(("Bad TLP", 5, PORT)), 3600.0) is None
    assert limits.proven_by(DATA, 3600.0) == limits.data
    assert limits.proven_by(finding(("ECRC Error", 2, PORT), severity=NONFATAL, way=NO_DIRECTION), 60.0) is None
    other = finding(("Completer Abort", 900, PORT), severity=NONFATAL, way=NO_DIRECTION)
    assert limits.proven_by(other, 60.0) is None


@pytest.mark.parametrize(
    ("text", "limit"),
    [
        ("6/2h", Limit(6, 2.0)),
        (" 1/0.5h ", Limit(1, 0.5)),
        ("10 / 24 h", Limit(10, 24.0)),
        ("999999999/1h", Limit(999_999_999, 1.0)),
    ],
)
def test_limits_as_a_person_writes_them(text: str, limit: Limit) -> None:
    assert Limit.parse(text) == limit
    assert Limit.parse(str(limit)) == limit


@pytest.mark.parametrize(
    "text", ["", "6", "6/2", "0/2h", "6/0h", "6/0.0h", "-1/2h", "6/2d", "1000000000000/2h", "6/2h/1", "six/2h"]
)
def test_no_limits(text: str) -> None:
    with pytest.raises(InputError, match="is no limit"):
        Limit.parse(text)
