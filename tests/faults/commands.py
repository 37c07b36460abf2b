"""The commands that are run under faults, what they may do then, and what they must never do."""

import gzip
import json
import re
import shutil
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

from fake_sysfs import Tree
from tests.compare.machines import drive, of, slot
from tests.faults.layer import Fault, Layered, Ran

COUNTED = {"aer_dev_correctable": {"RxErr": 3}, "aer_dev_fatal": {"DLP": 1}}
CALM = ("full", "limited", "empty")
NO_ANSWER = ("unjudged", "resting")
_OF_SPOOL = re.compile(
    r"\.(lock|told|widest\.json|identities\.json|missing\.json|lately\.json|results\.json)|\w+Z-\d{8}-[\w.-]+\.json\.gz"
)


def machine(trained: str = "8 GT/s x2") -> Tree:
    """A link at its best that counted errors, one below it, an empty slot."""
    counters = {"correctable": {"Receiver Error": 3}, "fatal": {"Data Link Protocol Error": 1}}
    return of(slot(1, drive(counters=counters)), slot(2, drive(0xB2, trained=trained)), slot(3)).build()


class Place(NamedTuple):
    """Where a run works: the machine's tree, and a folder of its own that is made anew each time."""

    tree: Path
    kept: Path
    out: Path

    @property
    def spool(self) -> Path:
        """The spool of collect."""
        return self.out / "spool"


class Command(NamedTuple):
    """A command, what it leaves when all is well, and how what it came to is looked at."""

    arguments: Callable[[Place], list[object]]
    leaves: tuple[str, ...] = ()
    statuses: frozenset[int] = frozenset({0, 1, 2, 3, 64})
    document: Callable[[Place, Ran], dict[str, Any] | None] = lambda *_: None
    judges: bool = False


def _printed(_: Place, ran: Ran) -> dict[str, Any] | None:
    return json.loads(ran.out) if ran.out else None


def _saved(name: str) -> Callable[[Place, Ran], dict[str, Any] | None]:
    def read(place: Place, _: Ran) -> dict[str, Any] | None:
        path = place.out / name
        return json.loads(path.read_bytes()) if path.exists() else None

    return read


def _collected(place: Place, _: Ran) -> dict[str, Any] | None:
    kept = sorted(place.spool.glob("*.json.gz"))
    for path in kept:
        gzip.decompress(path.read_bytes())
    return json.loads(gzip.decompress(kept[-1].read_bytes())) if "-00000001-" in kept[-1].name else None


COMMANDS = {
    "audit": Command(lambda at: ["audit", "--json", "--sysfs", at.tree], document=_printed, judges=True),
    "snapshot": Command(
        lambda at: ["snapshot", "--sysfs", at.tree, "-o", at.out / "s.json"], ("s.json",), document=_saved("s.json")
    ),
    "collect": Command(
        lambda at: ["collect", "--sysfs", at.tree, "--spool", at.spool, "--metrics", at.out / "m.prom"],
        ("m.prom", "spool"), document=_collected,
    ),
    "soak": Command(
        lambda at: ["soak", "--minutes", "0.002", "--interval", "0.05", "--sysfs", at.tree, "-o", at.out / "r.jsonl"],
        ("r.jsonl",),
    ),
    "report": Command(lambda at: ["report", at.kept / "s.json", "-o", at.out / "p.html"], ("p.html",)),
    "expect write": Command(
        lambda at: ["expect", "write", "--sysfs", at.tree, "-o", at.out / "e.toml"], ("e.toml",)
    ),
    "expect check": Command(lambda at: ["expect", "check", at.kept / "e.toml", "--sysfs", at.tree]),
    "ingest": Command(
        lambda at: ["fleet", "ingest", at.kept / "s.json", at.kept / "t.json", "--store", at.out / "store"], ("store",)
    ),
}  # fmt: skip


def prepared(layered: Layered, base: Path) -> Place:
    """A machine, and documents of it that were kept before."""
    at = Place(machine().write(base / "tree"), base / "kept", base / "out")
    at.kept.mkdir()
    none = Fault("none", 0, "EIO")
    layered.run(["snapshot", "--sysfs", at.tree, "-o", at.kept / "s.json"], none, base)
    layered.run(["expect", "write", "--sysfs", at.tree, "-o", at.kept / "e.toml"], none, base)
    again = json.loads((at.kept / "s.json").read_bytes())
    again["evidence"]["host"]["taken_at"] = "2026-01-01T00:00:00+00:00"
    (at.kept / "t.json").write_text(json.dumps(again))
    before = machine(trained="16 GT/s x4").write(base / "before")
    layered.run(["collect", "--sysfs", before, "--spool", at.kept / "spool"], none, base)
    return at


def fresh(command: Command, at: Place) -> None:
    """A folder to work in: nothing in it but the spool of a run before."""
    shutil.rmtree(at.out, ignore_errors=True)
    at.out.mkdir(parents=True)
    if command is COMMANDS["collect"]:
        shutil.copytree(at.kept / "spool", at.spool)


def wrongs(command: Command, at: Place, ran: Ran, whole: dict[str, Any] | None) -> Iterator[str]:
    """What a run did that none may do, whatever failed; `whole` is the document where nothing does."""
    if ran.status is None:
        yield "did not end"
        return
    if "Traceback" in ran.err or "an error of linkprobe itself" in ran.err:
        yield "told as an error of the program"
    if ran.status not in command.statuses:
        yield f"status {ran.status}"
    if ran.status in {3, 64} and not ran.err.strip():
        yield "no sentence"
    yield from _litter(command, at)
    yield from _halves(at)
    try:
        document = command.document(at, ran)
    except ValueError as error:
        yield f"half a document: {error}"
        return
    if document is not None and whole is not None:
        yield from _worse(document, whole)
        if command.judges and ran.status == 0 and not _unread(document):
            yield "status 0, and nothing said to be unread"


def _litter(command: Command, at: Place) -> Iterator[str]:
    for path in sorted(at.out.iterdir()):
        if path.name not in command.leaves:
            yield f"left {path.name}"
    if at.spool.is_dir():
        yield from (f"left {path.name}" for path in at.spool.iterdir() if not _OF_SPOOL.fullmatch(path.name))


def _halves(at: Place) -> Iterator[str]:
    page, metrics, expected = at.out / "p.html", at.out / "m.prom", at.out / "e.toml"
    if page.exists() and not page.read_text().rstrip().endswith("</html>"):
        yield "half a page"
    if metrics.exists() and not metrics.read_text().endswith("\n"):
        yield "half a text of metrics"
    if expected.exists():
        try:
            tomllib.loads(expected.read_text())
        except ValueError:
            yield "half a file of expectations"


def _unread(document: dict[str, Any]) -> bool:
    return any(link["verdict"] in NO_ANSWER for link in document["links"])


def _worse(document: dict[str, Any], whole: dict[str, Any]) -> Iterator[str]:
    """A link that is lost, a verdict or a count that nothing read bears out, others that suffer for one."""
    now = {(link["downstream_port"], link["upstream_port"]): link for link in document["links"]}
    ports = {port: link for (port, _), link in now.items()}
    touched = 0
    for link in whole["links"]:
        key = (link["downstream_port"], link["upstream_port"])
        found = now.get(key) or ports.get(link["downstream_port"])
        if found is None:
            yield f"lost {key}"
            continue
        if {**found, "slot": None} != {**link, "slot": None}:
            touched += 1
        if found["verdict"] not in {link["verdict"], *NO_ANSWER}:
            yield f"{key} was {link['verdict']}, is {found['verdict']}"
        for severity, total in link.get("errors", {}).items():
            if found.get("errors", {}).get(severity, total) not in {total, None}:
                yield f"{key} {severity} errors were {total}, are {found['errors'][severity]}"
    if touched > 1:
        yield f"{touched} links are told otherwise than they are"
