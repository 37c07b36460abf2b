"""Text that others wrote is made safe at the door of each medium."""

import unicodedata
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree as ET

import msgspec
import pytest

from probe.audit.snapshot import Snapshot
from probe.documents.files import encode
from tests.compare.machines import drive, of, slot, snapshot

PAYLOADS = [
    "\x1b[2J",
    "\x9b31m",
    "a\nslot 9: full",
    "\u202eabc",
    "\u200b",
    "\0",
    "\ufeff",
    "x" * 60_000,
    "=1+1",
    "[red]x[/red]",
]


def marked(payload: str) -> Snapshot:
    taken = snapshot(of(slot(1, drive()), slot(2, drive(2))))
    slots = tuple(msgspec.structs.replace(item, name=payload + item.name) for item in taken.evidence.slots)
    host = msgspec.structs.replace(taken.evidence.host, name=payload)
    evidence = msgspec.structs.replace(taken.evidence, slots=slots, host=host)
    return msgspec.structs.replace(taken, evidence=evidence)


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
@pytest.mark.parametrize("more", [(), ("--csv",), ("-q",)], ids=str)
def test_an_audit(
    run: Callable[..., tuple[int, str, str]], tmp_path: Path, payload: str, more: tuple[str, ...]
) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(encode(marked(payload)))
    status, out, err = run("audit", path, *more)
    assert status in {0, 1, 2}, err
    assert not [c for c in out + err if unicodedata.category(c) in {"Cc", "Cf", "Cs"} and c not in "\r\n"]
    assert not [line for line in out.splitlines() if line.startswith("slot 9: full")]


@pytest.mark.parametrize("payload", PAYLOADS, ids=range(len(PAYLOADS)))
def test_junit_stays_xml(run: Callable[..., tuple[int, str, str]], tmp_path: Path, payload: str) -> None:
    path = tmp_path / "x.json"
    path.write_bytes(encode(marked(payload)))
    run("diff", path, path, "--junit", tmp_path / "x.xml")
    assert ET.fromstring((tmp_path / "x.xml").read_text()).tag == "testsuite"  # noqa: S314 - made by us a line before


def test_an_error_sentence_steers_no_terminal(run: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    status, _, err = run("audit", tmp_path / "\x1b[2J\u202e")
    assert status == 64
    assert "\x1b" not in err
    assert "\u202e" not in err
