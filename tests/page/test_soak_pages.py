"""The page of a soak, on the screen and on paper, for two links and for sixty."""

import base64
import hashlib
import io
import re
from pathlib import Path

import pytest
from pypdf import PdfReader
from selenium import webdriver

from probe.soak.journal import Entry
from tests.page.conftest import page
from tests.soak.histories import history, save

SLOT_1 = "slot 1 (port 0000:00:01.0)"


def of(tmp_path: Path, entries: list[Entry], *options: str) -> str:
    return page(save(tmp_path / "record.jsonl", entries), tmp_path / "page.html", *options).read_text()


def printed(path: Path, browser: webdriver.Chrome) -> list[str]:
    """The text of each page on A4, as the page itself asks for it."""
    browser.get(path.as_uri())
    options = {"printBackground": True, "preferCSSPageSize": True}
    made = browser.execute_cdp_cmd("Page.printToPDF", options)
    return [part.extract_text() for part in PdfReader(io.BytesIO(base64.b64decode(made["data"]))).pages]


@pytest.mark.parametrize("links", [2, 16, 60])
def test_every_printed_page_has_its_number_the_name_and_something_on_it(
    links: int, tmp_path: Path, browser: webdriver.Chrome
) -> None:
    path = page(save(tmp_path / "record.jsonl", history(links, 600.0)), tmp_path / "page.html")
    pages = printed(path, browser)
    for number, text in enumerate(pages, start=1):
        assert "Record record.jsonl" in text
        assert f"page {number} of {len(pages)}" in text
        assert len(re.sub(r"\s+", "", text)) > 200
    assert "failed" in pages[0]
    assert "memory node 0" in pages[0], "the machine begins on the first page"
    assert "Technician" in pages[-1] + pages[-2]
    assert len(pages) <= 5 + links * 0.5


def test_the_machine_and_each_strip_are_in_the_words_and_dashes_of_this_run(tmp_path: Path) -> None:
    text = of(tmp_path, history(16, 600.0))
    machine, _, rest = text.partition("<h2>Each link</h2>")
    assert re.search(r'aria-label="failed, 8 GT/s x4: [^"]*slot 1 \(', machine)
    assert re.search(r'aria-label="inconclusive, 16 GT/s x4: [^"]*slot 3 \(', machine)
    assert re.search(r'aria-label="empty: slot 10 \(', machine)
    assert machine.count('stroke-dasharray="8 4"') == 3
    assert "full 16 GT/s x4" not in machine
    order = re.findall(r"<h3>(slot \d+) \(port [0-9a-f:.]+\): (\w+)", rest)
    assert order[:4] == [("slot 4", "failed"), ("slot 1", "failed"), ("slot 2", "failed"), ("slot 3", "inconclusive")]
    assert len(order) == 15


def test_the_digest_is_that_of_the_file(tmp_path: Path) -> None:
    text = of(tmp_path, history(2, 300.0))
    assert hashlib.sha256((tmp_path / "record.jsonl").read_bytes()).hexdigest() in text


def test_events_have_the_names_of_slots_and_errors_of_a_kind_are_one(tmp_path: Path) -> None:
    events = of(tmp_path, history(16, 3600.0)).partition("<h2>Events</h2>")[2].partition("<h2>")[0]
    assert f"<td>{SLOT_1}</td><td>went from 16 GT/s x4 to 8 GT/s x4</td>" in events
    assert "<td>1080.0 to 1740.0 s</td><td>slot 2 (port 0000:00:02.0)</td><td>24 correctable: Bad TLP" in events
    assert "0000/0/01.0" not in events


def test_a_snapshot_that_is_missing_is_said(tmp_path: Path) -> None:
    cut = of(tmp_path, history(16, 600.0, whole=False))
    assert "The snapshot after the run is missing (" in cut
    assert "Nothing changed between" not in cut
    assert '<th scope="col">after</th>' not in cut
    whole = of(tmp_path, history(16, 600.0))
    assert '<th scope="col">before</th><th scope="col">after</th>' in whole


def test_what_was_not_tested_and_the_limits_are_said(tmp_path: Path) -> None:
    text = of(tmp_path, history(16, 600.0))
    assert "<td>was watched without a load</td><td>slot 3 (port 0000:00:03.0)</td>" in text
    assert "<td>holds nothing</td><td>slot 10 (port 0000:00:0a.0)</td>" in text
    assert "<td>limit of correctable link errors</td><td>6/2h</td>" in text
    assert "Every link has error counters" in text


def test_an_inconclusive_run_has_no_place_to_sign_and_a_failed_one_says_that_parts_are_hot(tmp_path: Path) -> None:
    failed = of(tmp_path, history(16, 600.0))
    assert "Technician" in failed
    assert "Parts are hottest now" in failed
    cut = of(tmp_path, history(2, 600.0, faults=False, whole=False))
    assert "Technician" not in cut
    assert "There is no place to sign here" in cut
    assert "Parts are hottest now" not in cut


def test_redaction_leaves_nothing_that_names_the_machine(tmp_path: Path) -> None:
    plain, clean = of(tmp_path, history(4, 300.0)), of(tmp_path, history(4, 300.0), "--redact")
    for secret in ("node-17", "SN-4711", "00-00-00-00-00-00-00-01"):
        assert secret in plain
        assert secret not in clean


def test_a_name_of_a_file_stays_a_string_of_the_style_sheet(tmp_path: Path, browser: webdriver.Chrome) -> None:
    odd = tmp_path / 'x"}; body { display: none } <b>.jsonl'
    path = page(save(odd, history(2, 120.0)), tmp_path / "page.html")
    browser.get(path.as_uri())
    assert browser.execute_script("return getComputedStyle(document.body).display") == "block"
    assert "<b>" not in path.read_text()
    assert odd.name in printed(path, browser)[0]
