"""The table of commands, and what is loaded because of it."""

import inspect
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import msgspec
import pytest

import probe.cli.audit
from fake_sysfs import card, machine, root_port
from probe.cli.commands import COMMANDS, Command, Group
from probe.cli.extras import EXTRAS, how_to_add
from probe.exceptions import TRACEBACK_VARIABLE
from probe.render import renderers
from probe.schemas import TYPES
from tests.conftest import Run

PARTS = [(row, part) for row in COMMANDS for part in row.parts or (row,)]
# What belongs to the command line itself, not to one command.
SHARED = {"__init__", "main", "group", "commands", "extras", "options", "showing", "carrying_out"}
# Where the many commands of one group are spread over files; the group's own module has them all.
SPREAD = {"fleet_keeping", "fleet_options", "fleet_page", "fleet_questions"}
HEAVY = {"rich", "jinja2", "altair", "vl_convert", "ibis", "pyarrow", "duckdb", "psutil", "pyudev", "prometheus_client"}


@pytest.mark.parametrize(("row", "part"), PARTS, ids=[f"{row.name} {part.name}" for row, part in PARTS])
def test_the_help_of_a_command_begins_as_the_table_says(row: Command, part: Command) -> None:
    function = getattr(import_module(f"probe.cli.{part.module or row.function}"), part.function)
    first = (inspect.getdoc(function) or "").partition("\n\n")[0]
    assert " ".join(first.split()).startswith(part.help.rstrip("."))


def test_every_module_of_a_command_is_in_the_table() -> None:
    modules = {path.stem for path in Path(probe.cli.audit.__file__).parent.glob("*.py")}
    assert modules - SHARED - SPREAD == {row.function for row in COMMANDS}


def test_groups_stand_together_in_their_order() -> None:
    listed = [row.group for row in COMMANDS]
    assert [group for at, group in enumerate(listed) if at == 0 or listed[at - 1] != group] == list(Group)


def loaded_by(*arguments: str) -> set[str]:
    """The modules that are loaded when the program has run."""
    script = (
        f"import sys; sys.argv = ['linkprobe', *{arguments!r}]\n"
        "import atexit, json; atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr))\n"
        "from probe.cli.main import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    return set(json.loads(done.stderr.splitlines()[-1]))


@pytest.mark.parametrize("arguments", [("--help",), ("fleet", "--help"), ("expect", "--help"), ()])
def test_help_loads_no_command_and_nothing_heavy(arguments: tuple[str, ...]) -> None:
    modules = loaded_by(*arguments)
    assert {name for name in modules if name.startswith("probe.cli.")} == {
        f"probe.cli.{name}" for name in ("main", "group", "commands", "extras")
    }
    assert not {name.partition(".")[0] for name in modules} & HEAVY


def test_a_command_loads_no_other_and_draws_nothing_it_need_not(tmp_path: Path) -> None:
    root = machine(root_port("0000:00:01.0", "16 GT/s x4").holds(card("16 GT/s x4"))).build().write(tmp_path)
    modules = loaded_by("audit", "--json", "--sysfs", str(root))
    commands = {f"probe.cli.{row.function}" for row in COMMANDS}
    assert commands & modules == {"probe.cli.audit"}
    assert not {name.partition(".")[0] for name in modules} & HEAVY


def test_the_store_is_asked_without_what_draws_charts() -> None:
    """The part fleet is installed without the part page."""
    modules = {name.partition(".")[0] for name in loaded_by("fleet", "below", "--help")}
    assert "ibis" in modules
    assert "altair" not in modules


def completed(words: list[str], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    line = " ".join(["linkprobe", *words])
    asked = {"COMP_WORDS": line, "COMP_CWORD": words[-1], "_LINKPROBE_COMPLETE": "complete_fish"}
    for name, value in asked.items():
        monkeypatch.setenv(name, value)
    done = subprocess.run([sys.executable, "-m", "probe"], capture_output=True, text=True, check=False)
    return [row.partition("\t")[0].removeprefix("plain,") for row in done.stdout.splitlines() if row]


def test_addresses_and_slot_names_complete(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    described = machine(root_port("0000:00:01.0", "16 GT/s x4", slot=7).holds(card("16 GT/s x4")))
    root = described.build().with_file("sys/bus/pci/slots/7/address", b"0000:01:00\n").write(tmp_path)
    assert completed(["explain", "--sysfs", str(root), "0000:01"], monkeypatch) == ["0000:01:00.0"]
    assert completed(["soak", "--sysfs", str(root), "--link", ""], monkeypatch) == ["7", "0000:00:01.0", "0000:01:00.0"]
    assert completed(["explain", "--sysfs", "/absent", ""], monkeypatch) == []
    assert "history" in completed(["fleet", "h"], monkeypatch)


@pytest.mark.parametrize("name", EXTRAS)
def test_a_part_that_is_not_installed_is_told_as_what_to_install(
    name: str, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def missing(*_: object, **__: object) -> None:
        raise ModuleNotFoundError(name=f"{name}.part")

    monkeypatch.setattr(probe.cli.audit, "judge_all", missing)
    told = f"linkprobe: {name}: is needed for this and not installed; add it: {how_to_add(EXTRAS[name])}\n"
    assert run("audit", "--sysfs", demonstration(monkeypatch)) == (64, "", told)


def demonstration(monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setattr(probe.cli.audit, "evidence_from", lambda *_, **__: None)
    return "/"


@pytest.mark.parametrize("error", [KeyError("x"), MemoryError(), RecursionError("deep"), ModuleNotFoundError(name="y")])
def test_an_error_of_the_program_is_a_sentence_and_70(
    error: Exception, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise error

    monkeypatch.setattr(probe.cli.audit, "judge_all", fails)
    status, out, told = run("audit", "--sysfs", demonstration(monkeypatch))
    assert (status, out) == (70, "")
    assert told.count("\n") == 1
    assert type(error).__name__ in told
    assert "cli/audit.py line " in told
    assert f"please report it with the input and what {TRACEBACK_VARIABLE}=1 shows" in told
    monkeypatch.setenv(TRACEBACK_VARIABLE, "1")
    assert "Traceback" in run("audit", "--sysfs", "/")[2]


def test_every_document_with_a_schema_states_it_and_is_drawn() -> None:
    for name, place in TYPES.items():
        module, _, kind = place.partition(":")
        document = getattr(import_module(module), kind)
        if (
            isinstance(document, type)
            and issubclass(document, msgspec.Struct)
            and "schema" in document.__struct_fields__
        ):
            assert document.__struct_defaults__[0] == name
    for module in renderers.MODULES.values():
        assert callable(import_module(f"probe.render.terminal.{module}").render)


def test_csv(run: Run, tmp_path: Path) -> None:
    described = machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4", trained="8 GT/s x4")))
    root = described.build().write(tmp_path)
    status, out, _ = run("audit", "--csv", "--sysfs", root)
    header, row, rest = out.split("\r\n")
    found = dict(zip(header.split(","), row.split(","), strict=True))
    assert (status, rest) == (1, "")
    assert (found["upstream_port"], found["verdict"], found["shortfall"]) == ("0000:01:00.0", "downtrained", "speed")
    assert (found["negotiated_speed_gts"], found["possible_speed_gts"]) == ("8.0", "16.0")
    status, _, told = run("audit", "--csv", "--json", "--sysfs", root)
    assert (status, told) == (64, "linkprobe: --json and --csv: given together; give one of them\n")


def test_json_of_a_machine_without_links_is_a_document_with_status_3(run: Run, tmp_path: Path) -> None:
    root = machine().build().with_file("sys/bus/pci/devices/0000:00:00.0/class", b"0x060000\n").write(tmp_path)
    status, out, _ = run("audit", "--json", "--sysfs", root)
    assert (status, json.loads(out)["links"]) == (3, [])


def test_an_unknown_command_is_told_with_what_is_near(run: Run) -> None:
    assert run("audt") == (64, "", "linkprobe: No such command 'audt'. Did you mean audit?; see linkprobe --help\n")


@pytest.mark.parametrize(
    ("words", "where"),
    [
        (("audit", "--bogus"), "linkprobe audit"),
        (("fleet", "racks"), "linkprobe fleet racks"),
        (("fleet", "x"), "linkprobe fleet"),
    ],
)
def test_wrong_use_names_the_help_of_the_command(words: tuple[str, ...], where: str, run: Run) -> None:
    assert run(*words)[2].endswith(f"; see {where} --help\n")
