"""Made-up histories of a soak: three links, and whatever may happen to them, by a clock of whole seconds."""

from collections.abc import Callable
from typing import Any

from hypothesis import strategies as st

from probe.links.link import WhichEnd
from probe.loads.results import BOTH, FROM_HOST, TO_HOST, Mismatch, Pass
from probe.observe.events import CountedErrors, LinkEvent, LinkEventKind
from probe.registers.errors import Severity
from probe.soak.journal import Baseline, End, Entry, Gap, LinkSample, Sample, Start
from tests.compare.machines import drive, of, slot, snapshot

MACHINE = snapshot(
    of(slot(1, drive(1)), slot(2, drive(2, "2.5 GT/s x4", power_state="D3hot")), slot(3, drive(3, "8 GT/s x4")))
)
PLACES = tuple(link.place_id for link in MACHINE.links)
FUNCTIONS = {link.place_id: str(link.upstream_port) for link in MACHINE.links}
LONGEST_PASS_S = 4

Draw = Callable[..., Any]

STATES = [(16.0, 4), (16.0, 4), (16.0, 4), (8.0, 4), (2.5, 4), (16.0, 2), (None, None)]
RATES = [None, 0.0, 1e6, 5e9]
AT_LEAST = [None, None, None, 0.2, 0.75]
ERRORS = [
    (Severity.CORRECTABLE, "Bad TLP"), (Severity.CORRECTABLE, "Receiver Error"),
    (Severity.CORRECTABLE, "Advisory Non-Fatal Error"), (Severity.NONFATAL, "Completion Timeout"),
]  # fmt: skip
GOOD_EVENTS = [LinkEventKind.STATE, LinkEventKind.RETRAINED, LinkEventKind.LINK_UP, LinkEventKind.HOT]
BAD_EVENTS = [LinkEventKind.LANE_ERROR, LinkEventKind.GONE, LinkEventKind.LINK_DOWN]


class History:
    """The entries of a journal; the first is its start."""

    def __init__(self, entries: tuple[Entry, ...]) -> None:
        self.entries = entries

    @property
    def start(self) -> Start:
        head = self.entries[0]
        assert isinstance(head, Start)
        return head

    def __repr__(self) -> str:
        limit, covers, asked = self.start.correctable_limit, self.start.covers, self.start.asked
        return f"limit {limit}, covers {covers}, asked {asked}: {' '.join(map(str, self.entries[1:]))[:8000]}"


def links(draw: Draw) -> dict[str, LinkSample]:
    found = {}
    for place in PLACES:
        speed, width = draw(st.sampled_from(STATES))
        found[place] = LinkSample(
            speed, width, draw(st.sampled_from(RATES)), None, draw(st.sampled_from([None, 40.0, 70.0]))
        )
    return found


def errors(draw: Draw, t: float, since: float | None = None) -> CountedErrors:
    place = draw(st.sampled_from(PLACES))
    severity, error = draw(st.sampled_from(ERRORS))
    return CountedErrors(
        t=t, place_id=place, end=draw(st.sampled_from(list(WhichEnd))), function=FUNCTIONS[place], severity=severity,
        error=error, count=draw(st.integers(1, 4)), since=since,
    )  # fmt: skip


def event(draw: Draw, t: float, kinds: list[LinkEventKind], *, bad: bool) -> LinkEvent:
    return LinkEvent(
        t=t, place_id=draw(st.sampled_from(PLACES)), kind=draw(st.sampled_from(kinds)), sentence="something", bad=bad
    )


def measured(draw: Draw, t: float) -> Pass:
    seconds = draw(st.integers(1, LONGEST_PASS_S))
    return Pass(
        t=t, load="x", target=draw(st.sampled_from(["one", "other"])), place_id=draw(st.sampled_from(PLACES)),
        direction=draw(st.sampled_from([TO_HOST, FROM_HOST, BOTH])), seconds=float(seconds),
        bytes=draw(st.sampled_from([0, 10**6, 5 * 10**9, 6 * 10**9])) * seconds, phase=TO_HOST, phase_number=int(t),
    )  # fmt: skip


def mismatch(draw: Draw, t: float) -> Mismatch:
    return Mismatch(
        t=t, load="x", target="one", place_id=draw(st.sampled_from(PLACES)), offset=1, expected="00", found="01", bits=1
    )


def some(draw: Draw) -> tuple[str, ...]:
    return tuple(sorted(draw(st.sets(st.sampled_from(PLACES)))))


def start(draw: Draw) -> Start:
    return Start(
        snapshot=MACHINE, place_ids=PLACES, loads=("x",), interval_s=1.0, planned_s=60.0,
        correctable_limit=draw(st.sampled_from(["6/2h", "3/0.005h", "5/0.003h"])),
        covers=some(draw), asked=some(draw), accepts=("uncounted-errors",), at_least=draw(st.sampled_from(AT_LEAST)),
    )  # fmt: skip


@st.composite
def histories(draw: st.DrawFn, *, troubled: bool = True) -> History:
    """A run of up to a minute and more, with an end, complete or not."""
    found: list[Entry] = [start(draw)]
    t, baseline = 0.0, float(draw(st.integers(0, 8)))
    quiet = LinkSample(16.0, 4, 5e9, None, 40.0)
    settled = False
    for _ in range(draw(st.integers(1, 70))):
        gap = draw(st.sampled_from([0] * 20 + [5, 40])) if troubled else 0
        since = t
        t += 1.0 + gap
        if gap:
            found.append(Gap(t=t, since=since, why="the program was stopped"))
        happens = draw(st.sampled_from([None] * 8 + ["errors", "event", "bad", "pass", "pass", "differs"]))
        match happens if troubled or happens == "pass" else None:
            case "errors":
                found.append(errors(draw, t, since if gap else None))
            case "event":
                found.append(event(draw, t, GOOD_EVENTS, bad=False))
            case "bad" if draw(st.booleans()):
                found.append(event(draw, t, BAD_EVENTS, bad=True))
            case "pass":
                found.append(measured(draw, t))
            case "differs" if draw(st.booleans()):
                found.append(mismatch(draw, t))
        if not settled and t >= baseline:
            settled = True
            found.append(Baseline(t, {}))
        calm = not troubled or draw(st.integers(0, 3)) > 0
        found.append(Sample(t, dict.fromkeys(PLACES, quiet) if calm else links(draw)))
    complete = draw(st.sampled_from([True, True, True, False]))
    found.append(End(t=t, why="the planned time was over", complete=complete))
    return History(tuple(found))
