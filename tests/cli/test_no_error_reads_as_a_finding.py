"""Whatever goes wrong that is not the person's: one sentence, a way to report it, status 70. It never ends in 1.

And what is nobody's fault, output that finds no room or has nowhere to go, is no error of the program.
"""

import errno
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest

from fake_sysfs import card, machine, root_port
from probe.cli.commands import COMMANDS
from probe.exceptions import TRACEBACK_VARIABLE
from probe.exit_status import ExitStatus
from tests.conftest import Run

TOP = Path(__file__).parents[2]
RELEASED = TOP / "tests" / "released" / "0.1.0"
QUALIFICATION = TOP / "tests" / "fuzz" / "corpus" / "qualification" / "made"


class Panic(BaseException):
    """As compiled libraries raise where they stop in the middle: no Exception, so that nobody takes it for one."""


ERRORS: tuple[BaseException, ...] = (
    KeyError("x"), IndexError("list index out of range"), ValueError("two\nlines \x1b[31m and a colour"),
    TypeError("None"), AttributeError("'NoneType' object has no attribute 'x'"), ZeroDivisionError(), AssertionError(),
    RecursionError("maximum recursion depth exceeded"), MemoryError(), OverflowError("too large"), StopIteration(),
    UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte"), OSError(errno.EIO, "Input/output error"),
    FileNotFoundError(errno.ENOENT, "No such file", "/nowhere"), TimeoutError(), EOFError(),
    msgspec.ValidationError("Expected `int`"), ExceptionGroup("several", [KeyError("x")]), ModuleNotFoundError("y"),
    NotImplementedError(), SystemError("error return without exception set"), Panic("called `Option::unwrap()`"),
    SystemExit(1), GeneratorExit(),
)  # fmt: skip

TABLE: dict[str, tuple[tuple[str, ...], str]] = {
    "audit": (("audit", "--sysfs", "{tree}"), "probe.host.owner.read_machine_id"),
    "audit, its reading child": (("audit", "--sysfs", "{tree}"), "probe.host.function.FunctionReader.read"),
    "audit, drawing": (("audit", "--sysfs", "{tree}"), "probe.render.terminal.audit.render"),
    "audit, CSV": (("audit", "--csv", "--sysfs", "{tree}"), "probe.render.csv.audit.render"),
    "explain": (("explain", "0000:01:00.0", "--sysfs", "{tree}"), "probe.cli.explain.explain_link"),
    "paths": (("paths", "--sysfs", "{tree}"), "probe.cli.paths.ways"),
    "snapshot": (("snapshot", "--sysfs", "{tree}", "-o", "{new}"), "probe.cli.snapshot.take"),
    "capture-script": (("capture-script",), "probe.cli.capture_script.script"),
    "log": (("log", "{log}"), "probe.cli.log.log_events_of_boots"),
    "report": (("report", "{snapshot}", "-o", "{new}"), "probe.render.html.audit.render"),
    "report, a soak": (("report", "{soak}", "-o", "{new}"), "probe.cli.report.read_record"),
    "demo": (("demo",), "probe.cli.demo.read_machine"),
    "self-check": (("self-check",), "probe.cli.self_check.abilities"),
    "completion": (("completion", "bash"), "probe.cli.completion.files"),
    "diff": (("diff", "{snapshot}", "{snapshot}"), "probe.cli.diff.compare"),
    "history": (("history", "{snapshot}"), "probe.cli.history.over_boots"),
    "batch": (("batch", "{snapshot}", "{snapshot}"), "probe.cli.batch.contribution_of"),
    "where": (("where", "1", "{snapshot}"), "probe.cli.where.rows_of_files"),
    "expect write": (("expect", "write", "--sysfs", "{tree}"), "probe.cli.expect.to_toml"),
    "expect check": (("expect", "check", "{expected}", "{snapshot}"), "probe.cli.audit.deviations"),
    "soak": (("soak", "--minutes", "0.01", "--sysfs", "{tree}", "-o", "{new}"), "probe.soak.run.Soak.run"),
    "soak, judging": (("soak", "close", "{soak}"), "probe.cli.soak.record"),
    "watch": (("watch", "--minutes", "0.01", "--sysfs", "{tree}"), "probe.observe.watching.Watch.step"),
    "train": (("train", "0000:01:00.0", "--sysfs", "{tree}"), "probe.cli.train.guarded"),
    "speeds": (("speeds", "0000:01:00.0", "--sysfs", "{tree}"), "probe.cli.speeds.guarded"),
    "margin": (("margin", "0000:01:00.0", "--sysfs", "{tree}"), "probe.cli.margin.guarded"),
    "qualify": (("qualify", "{plan}", "--sysfs", "{tree}", "--dry-run"), "probe.cli.qualify.Checking.preview"),
    "verify": (("verify", "{qualification}"), "probe.qualify.sealing.judged"),
    "put-back": (("put-back",), "probe.cli.put_back.heal"),
    "collect": (("collect", "--sysfs", "{tree}", "--spool", "{new}"), "probe.collect.run.take"),
    "collect, its reading child": (
        ("collect", "--sysfs", "{tree}", "--spool", "{new}"), "probe.host.function.FunctionReader.read",
    ),
    "collect, metrics": (
        ("collect", "--sysfs", "{tree}", "--spool", "{new}", "--metrics", "{log}"), "probe.collect.run.exposition",
    ),
    "fleet ingest": (("fleet", "ingest", "{snapshot}", "--store", "{new}"), "probe.fleet.reading.Reader.read"),
    "fleet below": (("fleet", "below", "--store", "{store}"), "probe.fleet.asking.opened"),
    "schema": (("schema",), "probe.cli.schema.typer.echo"),
    "decode": (("decode", "{config}"), "probe.cli.decode.decoded_spaces"),
    "ceiling": (("ceiling", "16", "8"), "probe.cli.ceiling.arithmetic"),
    "ratio": (("ratio", "1", "1e12"), "probe.cli.ratio.calculate"),
}  # fmt: skip


@pytest.fixture
def places(tmp_path: Path) -> dict[str, str]:
    tree = machine(root_port("0000:00:01.0", "8 GT/s x4", slot=1).holds(card("8 GT/s x4"))).build()
    plan, log, config = tmp_path / "plan.toml", tmp_path / "log", tmp_path / "config"
    plan.write_text('schema = "linkprobe/qualify-plan/1"\n[[step]]\nkind = "snapshot"\n')
    log.write_text("")
    config.write_bytes(next(data for path, data in tree.files.items() if path.endswith("0000:01:00.0/config")))
    return {
        "tree": str(tree.write(tmp_path / "machine")), "new": str(tmp_path / "new"), "log": str(log),
        "snapshot": str(RELEASED / "snapshot.json"), "soak": str(RELEASED / "soak.jsonl"), "config": str(config),
        "expected": str(RELEASED / "expect.toml"), "plan": str(plan), "qualification": str(QUALIFICATION),
        "store": str(RELEASED / "store"),
    }  # fmt: skip


def told(run: Run, arguments: tuple[str, ...], places: dict[str, str]) -> tuple[int, str]:
    status, _, err = run(*(places[item.strip("{}")] if item.startswith("{") else item for item in arguments))
    return status, err


def failing(error: BaseException) -> Any:
    def fails(*_: object, **__: object) -> None:
        raise error

    return fails


def holds(status: int, err: str, name: str) -> None:
    assert status == ExitStatus.INTERNAL, err
    last = err.rstrip("\n").rpartition("\n")[2]
    assert last.startswith("linkprobe: ")
    assert "an error of linkprobe itself" in last
    assert name in last
    assert f"please report it with the input and what {TRACEBACK_VARIABLE}=1 shows" in last
    assert "Traceback" not in err
    assert "\x1b" not in err


@pytest.mark.parametrize("name", TABLE)
def test_in_every_command(name: str, run: Run, places: dict[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    arguments, place = TABLE[name]
    monkeypatch.setattr(place, failing(KeyError("nobody foresaw")))
    holds(*told(run, arguments, places), "KeyError: 'nobody foresaw'")


def test_the_table_names_every_command() -> None:
    assert {command.name for command in COMMANDS} <= {name.partition(",")[0].partition(" ")[0] for name in TABLE}


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("name", ["audit", "collect", "collect, its reading child"])
def test_of_every_kind(
    name: str, error: BaseException, run: Run, places: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments, place = TABLE[name]
    monkeypatch.setattr(place, failing(error))
    status, err = told(run, arguments, places)
    holds(status, err, type(error).__name__)
    assert err.strip().count("\n") == 0


def ended(*arguments: str, closed: tuple[int, ...] = (), **streams: Any) -> subprocess.CompletedProcess[str]:
    def close() -> Iterator[None]:
        for number in closed:
            os.close(number)
        return iter(())

    return subprocess.run(
        [sys.executable, "-m", "probe", *arguments], cwd=TOP, check=False, text=True, preexec_fn=close,
        **{"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **streams},
    )  # fmt: skip


WRITTEN = {
    name: TABLE[name][0] for name in ("audit", "audit, CSV", "explain", "expect write", "completion", "ceiling")
} | {"snapshot": ("snapshot", "--sysfs", "{tree}", "-o", "-"), "JSON": ("audit", "--json", "--sysfs", "{tree}"),
     "version": ("--version",), "help": ("--help",)}  # fmt: skip


@pytest.mark.parametrize("name", WRITTEN)
def test_no_room_for_output_is_told_and_is_no_error_of_ours(name: str, places: dict[str, str]) -> None:
    arguments = [places[item.strip("{}")] if item.startswith("{") else item for item in WRITTEN[name]]
    with Path("/dev/full").open("w") as full:
        found = ended(*arguments, stdout=full)
        said = "linkprobe: standard output: cannot be written (No space left on device); "
        assert (found.returncode, found.stderr.startswith(said)) == (ExitStatus.USAGE, True), found.stderr
        assert ended(*arguments, stdout=full, stderr=full).returncode == ExitStatus.USAGE


@pytest.mark.parametrize("closed", [(1,), (2,), (0, 1), (0, 1, 2)])
def test_a_closed_stream_is_nobody_that_looks(closed: tuple[int, ...], places: dict[str, str]) -> None:
    """The status tells, and no file that is opened takes the stream's number."""
    found = ended("audit", "--sysfs", places["tree"], closed=closed)
    assert found.returncode == ExitStatus.CLEAN
    assert "error" not in found.stderr
    spool = str(Path(places["new"]))
    assert ended("collect", "--sysfs", places["tree"], "--spool", spool, closed=closed).returncode == ExitStatus.CLEAN
    assert len(list(Path(spool).glob("*.json.gz"))) == 1
