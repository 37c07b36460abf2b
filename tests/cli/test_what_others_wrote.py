"""What others wrote, in labels, slot names, host names, log lines and file names, steers no screen and no program."""

import csv
import io
import re
import tomllib
import unicodedata
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from prometheus_client.parser import text_string_to_metric_families

from fake_sysfs import card, machine, root_port
from probe.foreign_text import MOST_LETTERS, file_name, made_plain, plain
from tests.conftest import Run

FORGED = "full 0000:00:01.0: nothing to report"
PAYLOADS = {
    "escape": "a\x1b[2J\x1b]0;owned\x07b",
    "C1": "a\x9b31mb",
    "forged line": f"a\n{FORGED}\nb",
    "carriage return": f"a\r{FORGED}",
    "bidirectional": "a\u202egpj.exe\u2066b",
    "invisible": "a\u200b\u2060\u3164\ufeffb",
    "tags": "a\U000e0041\U000e0042b",
    "line separator": f"a\u2028{FORGED}\u0085{FORGED}",
    "NUL": "a\0b",
    "endless": "A" * 60_000,
    "formula": "=HYPERLINK(1)",
    "markup": "[bold red]x[/] <script>alert(1)</script> | `x` ![y](http://z) @all",
    "quotes": '"\'\\\\""" ]]>',
}
NO_UTF8 = b"a\xff\xfe\x80b"
SHOWN_CATEGORIES = {"Cc", "Cf", "Cs", "Zl", "Zp", "Co"}


def tree(root: Path, payload: bytes, *, trained: str = "8 GT/s x4") -> Path:
    """A machine whose every name is the payload."""
    built = machine(root_port("0000:00:01.0", "16 GT/s x4", slot=1, trained=trained).holds(card("16 GT/s x4"))).build()
    base = "sys/devices/pci0000:00/0000:00:01.0/0000:01:00.0"
    for name in ("label", "hwmon/hwmon0/label"):
        built = built.with_file(f"{base}/{name}", payload + b"\n")
    built = built.with_file("proc/sys/kernel/hostname", payload).with_file("proc/cmdline", payload)
    built = built.with_file("sys/class/dmi/id/product_name", payload).with_file("sys/class/dmi/id/sys_vendor", payload)
    line = b"6,1,1000000,-;pcieport 0000:00:01.0: AER: Corrected error received: " + payload.replace(b"\n", b" ")
    built = built.with_file("dev/kmsg", line + b"\n")
    written = built.write(root)
    name = "x" + payload.decode("utf-8", "ignore").replace("/", "_").replace("\0", "")[:60]
    slot = written / "bus/pci/slots" / name
    slot.mkdir(parents=True)
    (slot / "address").write_text("0000:01:00\n")
    return written


def holds(text: str) -> None:
    """Nothing steers a terminal, hides, or stands where a line of ours would."""
    wrong = {hex(ord(letter)) for letter in text if letter != "\n" and unicodedata.category(letter) in SHOWN_CATEGORIES}
    assert not wrong
    assert not any(line.startswith(FORGED) for line in text.splitlines())
    assert max(map(len, text.splitlines()), default=0) < 10 * MOST_LETTERS


SCREENS = {
    "audit": ("audit", "--sysfs", "{tree}"),
    "audit -q": ("audit", "-q", "--sysfs", "{tree}"),
    "explain": ("explain", "0000:01:00.0", "--sysfs", "{tree}"),
    "explain --registers": ("explain", "0000:01:00.0", "--registers", "--sysfs", "{tree}"),
    "diff": ("diff", "{before}", "{after}"),
    "diff --markdown": ("diff", "--markdown", "{before}", "{after}"),
    "history": ("history", "{before}", "{after}"),
    "audit SNAPSHOT": ("audit", "{after}"),
    "log": ("log", "{log}"),
    "expect write": ("expect", "write", "--sysfs", "{tree}"),
    "an error": ("audit", "{name}"),
    "wrong use": ("{name}",),
}


@pytest.fixture(params=[*PAYLOADS, "no UTF-8"])
def payload(request: pytest.FixtureRequest) -> bytes:
    return NO_UTF8 if request.param == "no UTF-8" else PAYLOADS[request.param].encode()


@pytest.fixture
def places(run: Run, tmp_path: Path, payload: bytes) -> dict[str, str]:
    """A hostile machine before and after, its snapshots, its log, and a hostile file name."""
    good, bad = tree(tmp_path / "good", payload, trained="16 GT/s x4"), tree(tmp_path / "bad", payload)
    for root, name in ((good, "before"), (bad, "after")):
        assert run("snapshot", "--sysfs", root, "-o", tmp_path / name)[0] == 0
    log = tmp_path / "log"
    log.write_bytes(b"[    1.0] pcieport 0000:00:01.0: AER: " + payload + b"\n")
    name = payload.replace(b"\0", b"").decode("utf-8", "surrogateescape")
    return {"tree": str(bad), "log": str(log), "name": name} | {n: str(tmp_path / n) for n in ("before", "after")}


def test_every_screen(run: Run, places: dict[str, str]) -> None:
    for name, arguments in SCREENS.items():
        status, out, err = run(*(places[a.strip("{}")] if a.startswith("{") else a for a in arguments))
        assert status != 70, (name, err)
        holds(out)
        holds(err)
        if name in {"an error", "wrong use"}:
            assert err.count("\n") == 1


def test_every_file(run: Run, places: dict[str, str], tmp_path: Path) -> None:
    page, junit, expected = tmp_path / "page.html", tmp_path / "junit.xml", tmp_path / "expect.toml"
    assert run("report", places["after"], "-o", page)[0] == 0
    text = page.read_text()
    holds(text)
    assert "<script" not in text
    run("diff", places["before"], places["after"], "--junit", junit)
    ET.parse(junit)  # noqa: S314 - our own file
    holds(junit.read_text())
    assert run("expect", "write", "--sysfs", places["tree"], "-o", expected)[0] == 0
    tomllib.loads(expected.read_text())
    status, out, _ = run("audit", "--csv", "--sysfs", places["tree"])
    assert status == 1
    holds(out.replace("\r\n", "\n"))
    cells = [cell for row in csv.reader(io.StringIO(out, newline="")) for cell in row]
    assert not any(re.match(r"[=+@\t\r]|-\D", cell) for cell in cells)


def test_a_soak_and_its_page(run: Run, places: dict[str, str], tmp_path: Path) -> None:
    record, page = tmp_path / "record.jsonl", tmp_path / "record.html"
    _, out, err = run("soak", "--minutes", 0.01, "--interval", 0.05, "--sysfs", places["tree"], "-o", record)
    holds(out + err)
    status, _, err = run("report", record, "-o", page)
    assert status == 0, err
    text = page.read_text()
    assert "<script" not in text
    holds(re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL))


def test_collect_and_its_metrics(run: Run, places: dict[str, str], tmp_path: Path) -> None:
    spool, metrics = tmp_path / "spool", tmp_path / "m.prom"
    for root in (tmp_path / "good" / "sys", Path(places["tree"])):
        status, out, err = run("collect", "--sysfs", root, "--spool", spool, "--metrics", metrics)
        assert status in {0, 1, 2}, err
        holds(out + err)
    text = metrics.read_text()
    holds(text)
    assert list(text_string_to_metric_families(text))
    assert all(re.fullmatch(r"[A-Za-z0-9._-]+", path.name) for path in spool.iterdir())


@pytest.mark.published("Unicode 14, general categories Cc, Cf, Cs, Zl, Zp, as Python's unicodedata has them")
def test_every_letter_that_is_not_seen_is_shown_by_its_number() -> None:
    unseen = [chr(code) for code in range(0x110000) if unicodedata.category(chr(code)) in SHOWN_CATEGORIES - {"Co"}]
    assert [letter for letter in unseen if plain(letter) == letter] == []
    assert plain("Größe Ω 日本 ☃") == "Größe Ω 日本 ☃"


def test_plain_says_how_long_a_text_was() -> None:
    assert plain("x" * 60_000) == "x" * MOST_LETTERS + "... (60000 letters)"


def test_a_value_with_nothing_to_change_is_itself() -> None:
    value = ("a", {"b": ["c", 1]})
    assert made_plain(value) is value
    assert made_plain(("a\n", 1)) == ("a\\x0a", 1)


@pytest.mark.parametrize(("text", "name"), [("../../etc/passwd", "_.._etc_passwd"), ("a b\n", "a_b_"), ("", "_")])
def test_a_name_within_a_name_of_a_file(text: str, name: str) -> None:
    assert file_name(text) == name
