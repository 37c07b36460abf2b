"""Every command as a person runs it: what it prints, and the status it ends in."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from fake_sysfs import Tree, card, demonstration, machine, root_port
from probe.cli.commands import COMMANDS
from probe.registers.link import LinkStatus, LinkStatus2
from tests.conftest import Run


def described(trained: str | None = None) -> Tree:
    return machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1).holds(card("16 GT/s x4", trained=trained))).build()


@pytest.fixture
def good(tmp_path: Path) -> Path:
    return described().write(tmp_path / "good")


@pytest.fixture
def bad(tmp_path: Path) -> Path:
    return described("8 GT/s x4").write(tmp_path / "bad")


def test_statuses(run: Run, good: Path, bad: Path, tmp_path: Path) -> None:
    assert run("audit", "--sysfs", good)[0] == 0
    assert run("audit", "--sysfs", bad)[0] == 1
    assert run("audit", "--sysfs", described().silent("0000:01:00.0").write(tmp_path / "silent"))[0] == 2
    conventional = machine().build().with_file("sys/bus/pci/devices/0000:00:00.0/class", b"0x060000\n")
    status, _, told = run("audit", "--sysfs", conventional.write(tmp_path / "none"))
    assert status == 3
    assert told.startswith("linkprobe: ")
    assert run("audit", "--bogus")[0] == 64
    assert run("bogus")[0] == 64
    assert run()[0] == 64
    assert run("--help")[0] == 0
    assert run("--version")[1].startswith("linkprobe ")


def test_json_names(run: Run, bad: Path) -> None:
    status, out, _ = run("audit", "--json", "--sysfs", bad)
    document = json.loads(out)
    assert status == 1
    assert document["schema"] == "linkprobe/audit/1"
    assert document["summary"]["downtrained"] == 1
    (link,) = document["links"]
    assert link["downstream_port"] == "0000:00:01.0"
    assert link["upstream_port"] == "0000:01:00.0"
    assert link["verdict"] == "downtrained"
    assert link["shortfall"] == ["speed"]
    assert link["negotiated"] == {"speed_gts": 8.0, "width": 4}
    assert link["possible"] == {"speed_gts": 16.0, "width": 4}
    assert set(link["reasons"][0]) == {"source", "value", "meaning"}
    assert link["bandwidth"]["negotiated_bytes_s"] == 3938461538
    assert link["bandwidth"]["possible_bytes_s"] == 7876923076
    assert set(link["bandwidth"]["ceiling_bytes_s"]) == {"to_host", "from_host"}
    assert link["inside_card"] is False


def test_quiet_is_one_line_a_finding(run: Run, good: Path, bad: Path) -> None:
    assert run("audit", "-q", "--sysfs", good) == (0, "", "")
    status, out, _ = run("audit", "-q", "--sysfs", bad)
    assert status == 1
    assert out.count("\n") == 1
    assert out.startswith("downtrained 0000:01:00.0")


def test_only(run: Run, good: Path) -> None:
    assert "0000:01:00.0" in run("audit", "--only", "full,empty", "--sysfs", good)[1]
    assert "0000:01:00.0" not in run("audit", "--only", "downtrained", "--sysfs", good)[1]
    status, _, told = run("audit", "--only", "fine", "--sysfs", good)
    assert status == 64
    assert "--only fine: not a verdict; choose among full" in told


def test_strict(run: Run, tmp_path: Path) -> None:
    narrow = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("16 GT/s x4"))).build().write(tmp_path)
    assert run("audit", "--sysfs", narrow)[0] == 0
    assert run("audit", "--strict", "--sysfs", narrow)[0] == 1


def test_snapshot_and_audit_of_it(run: Run, bad: Path, tmp_path: Path) -> None:
    for name in ("one.json", "one.json.gz"):
        file = tmp_path / name
        assert run("snapshot", "-o", file, "--sysfs", bad)[0] == 0
        status, out, _ = run("audit", file)
        assert status == 1
        assert "downtrained" in out
        assert run("explain", "0000:01:00.0", file)[0] == 1
    status, out, _ = run("snapshot", "-o", "-", "--sysfs", bad)
    assert status == 0
    assert run("audit", "-", stdin=out.encode())[0] == 1
    document = json.loads(out)
    assert document["links"][0]["verdict"] == "downtrained"
    assert document["evidence"]["functions"][0]["address"] == "0000:00:01.0"


def test_a_snapshot_that_cannot_be_written_leaves_the_old_one(run: Run, bad: Path, tmp_path: Path) -> None:
    """Writing stops after the first block that the limit allows, as on a disk that fills up."""
    old = tmp_path / "old.json"
    old.write_text("before")
    command = f"ulimit -f 1; exec {sys.executable} -m probe snapshot -o {old} --sysfs {bad}"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (64, "")
    assert done.stderr.startswith(f"linkprobe: {old}: cannot be written (File too large)")
    assert old.read_text() == "before"
    assert run("snapshot", "-o", tmp_path / "no" / "x.json", "--sysfs", bad)[0] == 64
    (tmp_path / "is-a-directory").mkdir()
    assert run("snapshot", "-o", tmp_path / "is-a-directory", "--sysfs", bad)[0] == 64
    assert {path.name for path in tmp_path.iterdir()} == {"bad", "old.json", "is-a-directory"}


def snapshot_text(run: Run, root: Path) -> str:
    return run("snapshot", "-o", "-", "--sysfs", root)[1]


@pytest.mark.parametrize(
    ("damage", "told"),
    [
        (lambda text: text[: len(text) // 2], "ends too early: it was cut off"),
        (lambda _: "", "ends too early: it was cut off"),
        (lambda _: "hello", "is not JSON"),
        (lambda _: "{}", "is not a linkprobe document"),
        (lambda _: "[1]", "is not a linkprobe document"),
        (lambda _: '{"schema": "linkprobe/audit/1"}', "is a linkprobe/audit/1 document"),
        (lambda text: text.replace("linkprobe/snapshot/1", "linkprobe/snapshot/9"), "comes from a newer linkprobe"),
        (lambda text: text.replace('"functions":[', '"functions":[7,'), "does not hold what linkprobe/snapshot/1 says"),
    ],
)
def test_damaged_snapshots(damage: Callable[[str], str], told: str, run: Run, good: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    path.write_text(damage(snapshot_text(run, good)))
    status, out, err = run("audit", path)
    assert (status, out) == (64, "")
    assert told in err
    assert str(path) in err
    assert err.count("\n") == 1


def test_damaged_compression(run: Run, good: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.json.gz"
    run("snapshot", "-o", path, "--sysfs", good)
    path.write_bytes(path.read_bytes()[:-20])
    status, _, err = run("audit", path)
    assert status == 64
    assert "is damaged" in err


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("audit", "--sysfs", "/absent"), "/absent: no such directory"),
        (("audit", "/absent.json"), "/absent.json: cannot be read"),
        (("audit", "/absent.json", "--sysfs", "/"), "given together with --sysfs"),
        (("explain", "nonsense"), "'nonsense': no such address, slot or serial number"),
        (("explain", "0000:ff:00.0", "--sysfs", "{good}"), "0000:ff:00.0: no such function here"),
        (("ceiling", "7", "x4"), "SPEED '7': no such link speed"),
        (("ceiling", "8", "x3"), "WIDTH 'x3': no such link width"),
        (("ceiling", "8", "x4", "--payload", "100"), "--payload 100: no such size"),
        (("decode", "/absent"), "/absent: cannot be read"),
        (("schema", "linkprobe/x/1"), "linkprobe/x/1: no such document"),
        (("demo", "--write", "/"), "/: is not an empty directory"),
    ],
)
def test_bad_input_is_one_sentence(arguments: tuple[str, ...], told: str, run: Run, good: Path) -> None:
    status, out, err = run(*(text.format(good=good) for text in arguments))
    assert status == 64
    assert out == ""
    assert told in err
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_explain(run: Run, bad: Path) -> None:
    for address in ("0000:01:00.0", "0000:00:01.0", "00:01.0"):
        status, out, _ = run("explain", address, "--registers", "--sysfs", bad)
        assert status == 1
        for word in ("Why", "Both ends", "Path from the root", "What it carries", "What next", "Registers of", "ESD"):
            assert word in out
        assert "Link Status of 0000:00:01.0, offset 072h" in out


@pytest.mark.parametrize(
    ("name", "status"), [("3", 1), ("slot 3", 1), ("00-00-00-00-00-00-00-2a", 1), ("4", 0), ("5", 64), ("both", 64)]
)
def test_explain_by_slot_and_serial_ends_as_the_verdict(name: str, status: int, run: Run, tmp_path: Path) -> None:
    slow = root_port("0000:00:01.0", "16 GT/s x4", slot=3).holds(card("16 GT/s x4", trained="8 GT/s x4", serial=42))
    fine = root_port("0000:00:02.0", "16 GT/s x4", slot=4).holds(card("16 GT/s x4", attributes={"label": "both"}))
    other = root_port("0000:00:03.0", "16 GT/s x4").holds(card("16 GT/s x4", attributes={"label": "both"}))
    found, out, err = run("explain", name, "--sysfs", machine(slow, fine, other).build().write(tmp_path))
    assert found == status
    assert "NUMA node" in out or "names 2 links" in err or "no such address, slot or serial number" in err


def test_strict_and_quiet_prints_what_it_counts(run: Run, tmp_path: Path) -> None:
    described = machine(root_port("0000:00:01.0", "8 GT/s x4", slot=3).holds(card("16 GT/s x4")))
    sysfs = described.build().write(tmp_path)
    assert run("audit", "-q", "--sysfs", sysfs)[:2] == (0, "")
    status, out, _ = run("audit", "--strict", "-q", "--sysfs", sysfs)
    assert status == 1
    assert "limited 0000:01:00.0 in slot 3: limited in speed by its slot" in out


@pytest.mark.published("illumos pciex.esc: 6 correctable link errors in 2 hours condemn a link")
@pytest.mark.parametrize(
    ("count", "uptime", "status"),
    [(741_000, 86_400.0, 1), (6, 3_600.0, 1), (5, 3_600.0, 0), (71, 86_400.0, 0), (72, 86_400.0, 1)],
)
def test_errors_past_the_published_limit_are_a_finding(
    count: int, uptime: float, status: int, run: Run, tmp_path: Path
) -> None:
    below = card("8 GT/s x4", counters={"correctable": {"Receiver Error": count}})
    described = machine(root_port("0000:00:01.0", "8 GT/s x4").holds(below), uptime_s=uptime)
    found, out, _ = run("audit", "--sysfs", described.build().write(tmp_path))
    assert found == status
    assert ("Working" in out) is (status == 0)
    assert ("the published limit" in out) is (status == 1)


def test_explain_of_a_function_without_a_link(run: Run, tmp_path: Path) -> None:
    tree = described().with_file("sys/bus/pci/devices/0000:00:1f.0/class", b"0x060100\n")
    status, _, err = run("explain", "0000:00:1f.0", "--sysfs", tree.write(tmp_path))
    assert status == 64
    assert "has no PCI Express link of its own" in err


def test_explain_of_a_virtual_function_is_its_components_link(run: Run, tmp_path: Path) -> None:
    holding = card("16 GT/s x4", virtual_functions=2)
    root = machine(root_port("0000:00:01.0", "16 GT/s x4").holds(holding)).build().write(tmp_path)
    assert run("explain", "0000:01:00.2", "--sysfs", root)[1].startswith("0000:01:00.0  full")


def dumps() -> dict[str, bytes]:
    tree = described("8 GT/s x4")
    raw = next(data for path, data in tree.files.items() if path.endswith("0000:01:00.0/config"))
    rows = [(at, raw[at : at + 16]) for at in range(0, 256, 16)]
    lines = {
        "spaced": [f"{at:02x}: {row.hex(' ')}" for at, row in rows],
        "long offsets": [f"{at:08x}  {row[:8].hex(' ')}  {row[8:].hex(' ')}  |{'.' * 16}|" for at, row in rows],
        "pairs": [f"{at:08x}: {row.hex(' ', 2)}  {'ab cd ef'}" for at, row in rows],
        "titled": ["0000:01:00.0 some device", *(f"{at:03x}: {row.hex(' ')}" for at, row in rows), ""],
    }
    found = {name: "\n".join(text).encode() for name, text in lines.items()}
    return {**found, "raw": raw, "plain": raw.hex().encode(), "folded": folded(raw)}


def folded(raw: bytes) -> bytes:
    """A dump that writes a `*` for rows equal to the one before, and the end offset last, as POSIX od does."""
    lines, before = [], b""
    for at in range(0, len(raw), 16):
        row = raw[at : at + 16]
        lines.append("*" if row == before else f"{at:08x} {row.hex(' ')}")
        before = row
    kept = [line for index, line in enumerate(lines) if line != "*" or lines[index - 1] != "*"]
    return "\n".join([*kept, f"{len(raw):08x}"]).encode()


@pytest.mark.parametrize("name", ["spaced", "long offsets", "pairs", "titled", "raw", "plain", "folded"])
def test_decode(name: str, run: Run) -> None:
    status, out, _ = run("decode", "--json", "-", stdin=dumps()[name])
    assert status == 0
    registers = {row["name"]: row for row in json.loads(out)["registers"]}
    fields = {field["name"]: field["value"] for field in registers["Link Status"]["fields"]}
    assert fields["Current Link Speed"] == "8 GT/s"
    assert fields["Negotiated Link Width"] == "4 lanes"
    assert ("Correctable Error Status" in registers) == (name in {"raw", "plain", "folded"})


@pytest.mark.parametrize("data", [b"", b"hello", b"00: 01 02", b"\x00" * 63, b"\x00" * 5000])
def test_decode_of_no_config_space(data: bytes, run: Run) -> None:
    status, out, err = run("decode", stdin=data)
    assert (status, out) == (64, "")
    assert err.count("\n") == 1


def test_decode_on_a_screen(run: Run) -> None:
    out = run("decode", stdin=dumps()["raw"])[1]
    assert "Link Capabilities" in out
    assert "Max Link Speed: 16 GT/s" in out


def test_ceiling(run: Run) -> None:
    status, out, _ = run("ceiling", "16", "x4", "--payload", "256", "--json")
    document: dict[str, Any] = json.loads(out)
    assert status == 0
    assert document["ceiling_bytes_s"]["to_host"] == 8_000_000_000 * 64 * 256 // (65 * 276)
    assert "7.306 GB/s" in run("ceiling", "16GT/s", "4")[1]
    assert "AN 855" in run("ceiling", "16", "x4", "--explain")[1]
    assert "236 of 256" in run("ceiling", "64", "x4", "--explain")[1]


def test_demo(run: Run, tmp_path: Path) -> None:
    status, out, _ = run("demo")
    assert status == 1
    assert "correlator-07" in out
    status, out, err = run("demo", "--write", tmp_path / "tree")
    assert (status, out) == (0, "")
    assert run("audit", "--sysfs", tmp_path / "tree" / "sys")[0] == 1
    assert "--sysfs" in err


def test_schema_holds_what_is_printed(run: Run, bad: Path) -> None:
    names = run("schema")[1].split()
    assert names[:2] == ["linkprobe/audit/1", "linkprobe/snapshot/1"]
    assert "linkprobe/diff/1" in names
    for name in names:
        assert json.loads(run("schema", name)[1])["$defs"]
    properties = json.loads(run("schema", "linkprobe/audit/1")[1])["$defs"]["LinkDocument"]["properties"]
    (link,) = json.loads(run("audit", "--json", "--sysfs", bad)[1])["links"]
    assert set(link) == set(properties)


def program(*arguments: object, **options: Any) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "probe", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, **options)


def test_no_colour_in_a_pipe_and_colour_is_never_the_only_carrier(bad: Path) -> None:
    piped = program("audit", "--sysfs", bad, env={**os.environ, "COLUMNS": "80"})
    assert "\x1b" not in piped.stdout
    assert "downtrained" in piped.stdout
    assert max(map(len, piped.stdout.splitlines())) <= 80


def test_a_reader_that_goes_away(bad: Path) -> None:
    command = f"{sys.executable} -m probe explain 0000:01:00.0 --registers --sysfs {bad} | head -c 1"
    done = subprocess.run(["bash", "-c", command], capture_output=True, text=True, check=False)
    assert done.stderr == ""


def test_completion_knows_every_command() -> None:
    completing = {
        **os.environ, "_LINKPROBE_COMPLETE": "complete_bash", "COMP_WORDS": "linkprobe ", "COMP_CWORD": "1",
    }  # fmt: skip
    done = program(env=completing)
    assert {"audit", "explain", "soak", "diff"} <= {row.removeprefix("plain,") for row in done.stdout.split()}


def test_every_command_has_help(run: Run) -> None:
    for row in COMMANDS:
        status, out, _ = run(row.name, "--help")
        assert status == 0
        assert out.startswith(f"Usage: linkprobe {row.name}")


def test_unprivileged_reading_judges_and_says_what_root_adds(run: Run, tmp_path: Path) -> None:
    root = described("8 GT/s x4").unprivileged().write(tmp_path)
    status, out, _ = run("audit", "--sysfs", root)
    assert status == 1
    assert "As root it adds" in out


def test_registers_of_a_version_1_capability_end(run: Run, tmp_path: Path) -> None:
    holding = card("5 GT/s x4", version=1)
    root = machine(root_port("0000:00:01.0", "5 GT/s x4").holds(holding)).build().write(tmp_path)
    functions = json.loads(run("explain", "0000:01:00.0", "--registers", "--json", "--sysfs", root)[1])["functions"]
    names = {register["name"] for register in functions[1]["registers"]}
    assert LinkStatus.name in names
    assert LinkStatus2.name not in names


def test_self_check(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    status, out, _ = run("self-check")
    assert status == 0
    assert "judges the demonstration machine rightly" in out
    assert "whole configuration space" in out
    monkeypatch.setitem(demonstration.PLANTED, demonstration.CAPPED_AT, "full")
    status, out, _ = run("self-check")
    assert status == 1
    assert "wrong: {'0000:03:00.0': 'capped'}" in out
