"""Boards of one made-up model for the tests of batch, and what tests said of them."""

from collections.abc import Sequence
from typing import Any

from fake_sysfs import Machine, card, machine, root_port
from probe.active.documents import LinkSpeeds, LinkTraining, SpeedsDocument, SpeedStep, TrainingDocument
from probe.active.margining.document import (
    LaneMargin,
    MarginDocument,
    MarginedLink,
    ReceiverMargin,
    Settings,
    Side,
)
from probe.audit.snapshot import Snapshot, take
from probe.batch.comparing import batch
from probe.batch.contribution import Contribution
from probe.batch.document import Batch
from probe.batch.reading import contribution_of
from probe.documents.files import encode, encode_lines
from probe.evidence import Host
from probe.host.machine import read_machine
from probe.links.link import WhichEnd
from probe.links.state import LinkState
from probe.loads.results import Pass
from probe.observe.events import CountedErrors
from probe.registers.errors import Severity
from probe.result import Result
from probe.soak.journal import Baseline, End, Entry, LinkSample, Sample, Start
from probe.soak.record import record

NETWORK, STORE = "0000/0/01.0", "0000/0/02.0"
NETWORK_PORT = "0000:00:01.0"
FIRMWARE = {"board_vendor": "Karrow Fen Workshop", "board_name": "Bench board 3", "bios_version": "1.8"}


def board(number: int, *, hours: float = 100.0, firmware: dict[str, str] | None = None, **network: Any) -> Machine:
    """One board: a network card and a drive. Further arguments are of the network card."""
    made = {"class_code": 0x020000, "device": 0x0120, "serial": 0x4B00 + number, **network}
    return machine(
        root_port(NETWORK_PORT, "16 GT/s x8", slot=1).holds(card("16 GT/s x8", **made)),
        root_port("0000:00:02.0", "16 GT/s x4", slot=2).holds(card("16 GT/s x4", device=0x0130)),
        root_port("0000:00:03.0", "16 GT/s x4", slot=3),
        name=f"board-{number:02d}",
        machine_id=f"{number:032x}",
        firmware={**FIRMWARE, **(firmware or {})},
        uptime_s=hours * 3600,
    )


def snapshot(described: Machine) -> Snapshot:
    return take(read_machine(described.build().source()))


def part(described: Machine, file: str | None = None) -> Contribution:
    return contribution_of(encode(snapshot(described)), file or f"{described.name}.json")


def host(number: int) -> Host:
    return snapshot(board(number)).evidence.host


def held(*boards: Machine) -> Batch:
    return batch([part(described, f"{number}.json") for number, described in enumerate(boards)])


def margins(number: int, steps: Sequence[int], *, speed: float = 16.0) -> Contribution:
    """A margin result of the network card's link: one receiver, a lane a figure, each step 0.02 UI."""
    lanes = tuple(
        LaneMargin(lane=lane, both_sides=Side(steps=found, at_least=False, ui=found * 0.02, of_steps=20))
        for lane, found in enumerate(steps)
    )
    link = MarginedLink(
        downstream_port=NETWORK_PORT, upstream_port="0000:01:00.0", title="slot 1", speed_gts=speed, width=len(steps),
        receivers=(ReceiverMargin(number=6, name="Upstream Port", lanes=lanes),), result=Result.PASSED, back=True,
    )  # fmt: skip
    document = MarginDocument(
        host=host(number),
        settings=Settings(seconds=1, error_limit=4),
        links=(link,),
        result=Result.PASSED,
        restored=True,
    )
    return contribution_of(encode(document), f"margin-{number}.json")


def trainings(number: int, short: int, of: int) -> Contribution:
    link = LinkTraining(
        downstream_port=NETWORK_PORT, upstream_port="0000:01:00.0", title="slot 1", way="retrain", means="",
        before=LinkState(16.0, 8), expected=LinkState(16.0, 8), asked=of, short=short, of=of, back=True,
        result=Result.FAILED if short else Result.PASSED, reasons=(f"{short} of {of} short",) if short else (),
    )  # fmt: skip
    result = Result.FAILED if short else Result.PASSED
    document = TrainingDocument(host=host(number), links=(link,), result=result, restored=True)
    return contribution_of(encode(document), f"train-{number}.json")


def speeds(number: int, *clean: bool | None) -> Contribution:
    """A speeds result: for 2.5, 5, 8 and 16 GT/s whether it was clean."""
    steps = tuple(
        SpeedStep(speed_gts=gts, supported=True, trained=True, clean=good)
        for gts, good in zip((2.5, 5.0, 8.0, 16.0), clean, strict=True)
    )
    link = LinkSpeeds(
        downstream_port=NETWORK_PORT, upstream_port="0000:01:00.0", title="slot 1", means="",
        before=LinkState(16.0, 8), speeds=steps, back=True,
    )  # fmt: skip
    document = SpeedsDocument(host=host(number), links=(link,), result=Result.INCONCLUSIVE, restored=True)
    return contribution_of(encode(document), f"speeds-{number}.json")


def soak(number: int, *, errors: int = 0, bytes_s: float = 12e9, speed: float = 16.0, **network: Any) -> list[Entry]:
    """A soak of an hour with the network card under load: errors counted, a rate carried, a speed it ran at."""
    before = snapshot(board(number, **network))
    hour = 3600.0
    counted = [
        CountedErrors(
            t=hour / 2, place_id=NETWORK, end=WhichEnd.COMPONENT, function="0000:01:00.0",
            severity=Severity.CORRECTABLE, error="Bad TLP", count=errors,
        )
    ]  # fmt: skip
    passes = [
        Pass(
            t=t, load="storage-read", target="it", place_id=NETWORK, direction="to host", bytes=int(bytes_s),
            seconds=1.0, verified=True,
        )
        for t in (1.0, 2.0, 3.0)
    ]  # fmt: skip
    seen = [Sample(t, {NETWORK: LinkSample(speed, 8)}) for t in (0.0, hour)]
    return [
        Start(
            snapshot=before, place_ids=(NETWORK,), loads=("storage-read",), interval_s=1.0, planned_s=hour,
            correctable_limit="100000/2h", covers=(NETWORK,),
        ),
        seen[0], Baseline(0.0, {}), *passes, *(counted if errors else []), seen[1],
        End(t=hour, why="the planned time was over", complete=True),
    ]  # fmt: skip


def soak_part(number: int, **changes: Any) -> Contribution:
    return contribution_of(encode_lines(soak(number, **changes)), f"soak-{number}.jsonl")


def closing_part(number: int, **changes: Any) -> Contribution:
    """The same as a closing document, which holds no snapshot."""
    return contribution_of(encode(record(soak(number, **changes))), f"close-{number}.json")
