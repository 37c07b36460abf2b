"""Whole qualifications of machines of so many links, with an hour of soak, as a rack would leave them."""

import msgspec

from probe.documents.files import encode
from probe.qualify.entries import Begun, Cause, Commanded, Done, Entry, PartBegun, SoakPart, Taken, TurnBegun, TurnEnded
from probe.qualify.sealing import digest, sealed
from probe.soak.journal import Start
from tests.soak.histories import history

AT = "2026-03-20T08:00:00+00:00"
PLAN = """
schema = "linkprobe/qualify-plan/1"
title = "Acceptance of a rack"
fields = ["operator"]
[asked]
customer = "Karrow Fen Observatory"
[[step]]
kind = "snapshot"
name = "before"
[[step]]
kind = "soak"
name = "an hour of load"
minutes = 60
loads = ["storage-read"]
[[step]]
kind = "command"
run = ["./our-test", "--quick"]
[[step]]
kind = "snapshot"
name = "after"
[[step]]
kind = "comparison"
before = "before"
after = "after"
"""
NAMES = ("before", "an hour of load", "command", "after", "comparison")


def qualified(links: int, seconds: float = 3600.0, *, faults: bool = True) -> bytes:
    """The record of such a machine; `faults` are those of the history of its soak."""
    soak = history(links, seconds, faults=faults)
    start = soak[0]
    assert isinstance(start, Start)
    taken = start.snapshot
    measured: list[Entry] = [
        Taken(turn=1, snapshot=taken), SoakPart(turn=2, seconds=seconds, entries=tuple(soak)),
        Commanded(turn=3, seconds=2.0, status=0, output="7 of 7 tests passed\n"), Taken(turn=4, snapshot=taken),
    ]  # fmt: skip
    entries: list[Entry] = [
        Begun(
            written_by="linkprobe", at=AT, plan_name="plan.toml", plan=PLAN, plan_sha256=digest(PLAN.encode()),
            fields={"operator": "Ada"},
        ),
        PartBegun(at=AT, cause=Cause.FIRST, host=taken.evidence.host, snapshot=taken),
    ]  # fmt: skip
    for turn, name in enumerate(NAMES, start=1):
        entries += [
            TurnBegun(turn=turn, name=name, at=AT), *measured[turn - 1 : turn],
            TurnEnded(turn=turn, at=AT, seconds=seconds if turn == 2 else 2.0),
        ]  # fmt: skip
    entries.append(Done(at=AT))
    return encode(sealed([msgspec.json.encode(entry) for entry in entries], "made"))
