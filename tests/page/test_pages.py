"""Pages opened in a headless browser: no script, no error, no request to elsewhere, readable by an accessibility checker."""

import json
import re
from pathlib import Path
from typing import Any

import pytest
from axe_core_python.selenium import Axe
from selenium import webdriver

from fake_sysfs.demonstration import correlator
from fake_sysfs.fleet import Fleet, write
from probe.audit.snapshot import take
from probe.cli.fleet_page import page as write_fleet_page
from probe.compare.diff import diff
from probe.documents.files import encode
from probe.fleet.ingest import ingest
from probe.fleet.table import Store
from probe.host.machine import read_machine
from tests.batch.made import board, held
from tests.compare.machines import drive, of, slot, snapshot
from tests.page.conftest import page
from tests.soak.histories import history, save

CAPTURED = Path(__file__).parents[1] / "captured" / "two-accelerators-soak.jsonl"


@pytest.fixture(params=["record", "failed soak", "snapshot", "diff", "batch", "fleet", "host of a fleet"])
def written(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    document = tmp_path / "document"
    if request.param == "fleet":
        return fleet_page(tmp_path)
    if request.param == "host of a fleet":
        return min((fleet_page(tmp_path).parent / "page-hosts").iterdir())
    if request.param == "record":
        document = CAPTURED
    elif request.param == "failed soak":
        save(document, history(16, 1200.0))
    elif request.param == "snapshot":
        document.write_bytes(encode(take(read_machine(correlator().build().source()))))
    elif request.param == "batch":
        odd: dict[str, Any] = {"trained": "16 GT/s x4"}
        document.write_bytes(encode(held(*(board(number, **odd if number == 7 else {}) for number in range(1, 31)))))
    else:
        good, bad = snapshot(of(slot(1, drive()))), snapshot(of(slot(1, drive(trained="8 GT/s x1"))))
        document.write_bytes(encode(diff(good, bad)))
    return page(document, tmp_path / "page.html")


def fleet_page(folder: Path) -> Path:
    write(Fleet(hosts=20, days=2, faults=4, links=8), folder / "spools")
    store = Store(str(folder / "store"))
    ingest([folder / "spools"], store)
    out = folder / "page.html"
    write_fleet_page(store.url, out, "", "duckdb")
    return out


def test_the_page_is_alone_and_runs_nothing(written: Path, browser: webdriver.Chrome) -> None:
    text = written.read_text()
    assert "<script" not in text.lower()
    assert not re.search(r"\bon\w+=", text)
    beside = re.sub(r'<a href="[\w.-]+/[\w.-]+">', "", text)  # a page a host, in the folder beside this one
    assert not re.search(r"""(?:src|href)=["'](?!data:|#)""", beside)
    browser.get_log("performance")
    browser.get(written.as_uri())
    assert browser.get_log("browser") == []
    sent = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    urls = {m["params"]["request"]["url"] for m in sent if m["method"] == "Network.requestWillBeSent"}
    assert urls <= {written.as_uri()}


def test_an_accessibility_checker_finds_nothing(written: Path, browser: webdriver.Chrome) -> None:
    browser.set_window_size(1200, 900)
    browser.get(written.as_uri())
    found = Axe().run(browser)
    assert [(item["id"], item["nodes"][0]["html"]) for item in found["violations"]] == []
    assert any(item["id"] == "color-contrast" for item in found["passes"])
    assert any(item["id"] == "heading-order" for item in found["passes"])


def test_it_fits_a_phone_and_paper(written: Path, browser: webdriver.Chrome) -> None:
    browser.get(written.as_uri())
    for width in (500, 794):  # the least a headless window takes, and A4 at 96 dots an inch
        browser.set_window_size(width, 1000)
        wide = browser.execute_script("return document.documentElement.scrollWidth - window.innerWidth")
        assert wide <= 0


def test_a_record_holds_what_a_signed_one_must(tmp_path: Path) -> None:
    text = page(CAPTURED, tmp_path / "x.html").read_text()
    for word in (
        "passed", "Each link", "What was carried", "Over time", "Limits and method", "Were errors counted",
        "What was not tested, and why", "Environment", "Signatures", "Technician", "Safety", "ESD", "<svg",
    ):  # fmt: skip
        assert word in text


def test_an_inconclusive_record_has_no_place_to_sign(tmp_path: Path) -> None:
    """The same run, by somebody who did not say that errors cannot be counted on that machine."""
    first, _, rest = CAPTURED.read_text().partition("\n")
    told = json.loads(first) | {"accepts": []}
    doubted = tmp_path / "record.jsonl"
    doubted.write_text(f"{json.dumps(told, separators=(',', ':'))}\n{rest}")
    text = page(doubted, tmp_path / "x.html").read_text()
    assert "inconclusive" in text
    assert "errors cannot be counted on this machine" in text
    assert "There is no place to sign here, for the run is inconclusive" in text
    assert "Technician" not in text


def test_redaction(tmp_path: Path) -> None:
    document = tmp_path / "document"
    taken = take(read_machine(correlator().build().source()))
    document.write_bytes(encode(taken))
    plain = page(document, tmp_path / "plain.html").read_text()
    clean = page(document, tmp_path / "clean.html", "--redact").read_text()
    for secret in ("correlator-07", "4b-46-00-00-00-00-16-01", taken.evidence.host.boot_id or ""):
        assert secret in plain
        assert secret not in clean
    assert "Antenna sampler" in clean


def test_text_is_escaped(tmp_path: Path) -> None:
    document = tmp_path / "document"
    taken = snapshot(of(slot(1, drive(), slot_name="<b>1</b>")), name="<img src=x onerror=alert(1)>")
    document.write_bytes(encode(taken))
    text = page(document, tmp_path / "x.html").read_text()
    assert "<img" not in text
    assert "<b>" not in text
    assert "&lt;img" in text
