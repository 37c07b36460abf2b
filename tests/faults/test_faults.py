"""Whatever call fails, at whatever moment: an answer of ours, the rest kept, files whole or absent, no litter.

A sample of all calls, each failing in turn; `LINKPROBE_FAULTS=all` makes every one of them fail. What was tried as a
whole stands in DEVELOPERS.md.
"""

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from probe.host.child import PATIENCE_S
from tests.faults.commands import COMMANDS, Place, fresh, prepared, wrongs
from tests.faults.layer import Fault, Layered

pytestmark = pytest.mark.skipif(
    shutil.which("cc") is None and shutil.which("gcc") is None, reason="the layer is compiled: needs a C compiler"
)

ALL = os.environ.get("LINKPROBE_FAULTS") == "all"
MODULES = (
    *(f"probe.cli.{name}" for name in ("audit", "snapshot", "collect", "soak", "report", "expect", "fleet")),
    "probe.render.terminal.audit", "probe.render.html.audit", "probe.render.terminal.soak", "psutil", "rich.live",
    "probe.fleet.ingest", "pyarrow.parquet",
)  # fmt: skip


class Tried(NamedTuple):
    """Calls of these kinds below a directory, failing in these ways."""

    below: Callable[[Place], Path]
    kinds: tuple[str, ...]
    whats: tuple[str, ...]


MACHINE = Tried(
    lambda at: at.tree,
    ("open", "read", "list", "readlink", "stat"),
    ("EIO", "EACCES", "ENODEV", "ENOENT", "EINTR", "short"),
)
KEPT = Tried(lambda at: at.kept, ("open", "read", "stat"), ("EIO", "EACCES", "EINTR", "short"))
WRITTEN = Tried(
    lambda at: at.out,
    ("open", "write", "fsync", "rename", "unlink", "close", "stat", "list"),
    ("ENOSPC", "EIO", "EROFS", "EINTR", "short"),
)
TABLE = {
    "audit": (MACHINE,),
    "snapshot": (MACHINE, WRITTEN),
    "collect": (MACHINE, WRITTEN),
    "soak": (MACHINE, WRITTEN),
    "report": (KEPT, WRITTEN),
    "expect write": (MACHINE, WRITTEN),
    "expect check": (MACHINE, KEPT),
    "ingest": (KEPT, WRITTEN),
}
ROWS = [(name, tried, kind) for name, several in TABLE.items() for tried in several for kind in tried.kinds]


@pytest.fixture(scope="module")
def layered(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Layered, Place]]:
    base = tmp_path_factory.mktemp("faults")
    with Layered(base, *MODULES) as made:
        yield made, prepared(made, base)


def whole(layered: Layered, at: Place, name: str, kind: str, below: Path) -> tuple[int, dict[str, Any] | None]:
    """How many calls of the kind there are where nothing fails, and what it comes to then."""
    command = COMMANDS[name]
    fresh(command, at)
    ran = layered.run(command.arguments(at), Fault(kind, 0, "EIO"), below)
    document = command.document(at, ran)
    assert list(wrongs(command, at, ran, document)) == []
    return ran.seen, document


def chosen(count: int, offset: int) -> list[int]:
    """Which of so many calls are to fail: all, or one, another for each way to fail."""
    if ALL:
        return list(range(1, count + 1))
    return [1 + offset % count] if count else []


@pytest.mark.parametrize(("name", "tried", "kind"), ROWS, ids=[f"{name} {kind}" for name, _, kind in ROWS])
def test_any_call_may_fail(layered: tuple[Layered, Place], name: str, tried: Tried, kind: str) -> None:
    layer, at = layered
    command, below = COMMANDS[name], tried.below(at)
    count, document = whole(layer, at, name, kind, below)
    found = {}
    row = ROWS.index((name, tried, kind))
    for offset, what in enumerate(tried.whats):
        if not ALL and offset != row % len(tried.whats):
            continue  # each row fails in one way, the next row in the next
        for number in chosen(count, offset * max(count // len(tried.whats), 1)):
            for onwards in (False, True) if what in {"ENOSPC", "EROFS"} else (False,):
                fault = Fault(kind, number, what, onwards)
                fresh(command, at)
                ran = layer.run(command.arguments(at), fault, below)
                if told := list(wrongs(command, at, ran, document)):
                    found[str(fault)] = (told, ran.status, ran.err[-300:])
    assert found == {}


@pytest.mark.parametrize(
    ("name", "file"), [("audit", "config"), ("collect", "aer_dev_correctable"), ("expect check", "current_link_speed")]
)
def test_a_device_that_hangs_is_one_entry_and_urgent(layered: tuple[Layered, Place], name: str, file: str) -> None:
    layer, at = layered
    command = COMMANDS[name]
    _, document = whole(layer, at, name, "read", at.tree)
    below = next(at.tree.glob(f"devices/*/*/0000:02:00.0/{file}"))
    fresh(command, at)
    ran = layer.run(command.arguments(at), Fault("read", 1, "hang", onwards=True), below, limit_s=4 * PATIENCE_S)
    assert (list(wrongs(command, at, ran, document)), ran.done) == ([], 1)
    assert ran.status == 2
    after = command.document(at, ran)
    if after is not None:
        unread = after.get("unread") or [x for f in after["evidence"]["functions"] for x in f.get("unread", [])]
        assert [item["path"].rpartition("/")[2] for item in unread if item["why"] == "no answer"] == [file]


def test_the_layer_strikes(layered: tuple[Layered, Place]) -> None:
    """A layer that does nothing would find nothing."""
    layer, at = layered
    fresh(COMMANDS["audit"], at)
    ran = layer.run(["audit", "--sysfs", at.tree], Fault("open", 1, "EACCES", onwards=True), at.tree)
    assert ran.done > 10
    assert ran.status != 1
