"""The page of a qualification in a headless browser, with few links and many."""

import re
import sys
from pathlib import Path

import pytest
from axe_core_python.selenium import Axe
from selenium import webdriver

from fake_sysfs import card, machine, root_port
from probe.cli.main import main
from tests.page.conftest import page
from tests.qualify.made import qualified

PLAN = """
schema = "linkprobe/qualify-plan/1"
fields = ["operator"]
asked = { customer = "Karrow Fen", ticket = "4711", rack = "B 12" }
[[step]]
kind = "snapshot"
[[step]]
kind = "soak"
minutes = 0.01
interval_s = 0.2
[[step]]
kind = "command"
run = ["/bin/sh", "-c", "seq 3; printf %0300d 7"]
"""


@pytest.fixture(params=[2, 16, 60, "16 with an hour of soak"])
def written(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """The page of a machine of so many links, one of which is slow."""
    if isinstance(request.param, str):
        return of(qualified(16), tmp_path)
    ports = [
        root_port(f"0000:{bus:02x}:{device:02x}.0", "16 GT/s x4", slot=32 * bus + device).holds(
            card("16 GT/s x4", trained="8 GT/s x4" if (bus, device) == (0, 1) else None, serial=32 * bus + device)
        )
        for bus in (0, 0x40, 0x80)
        for device in range(1, 21)
    ]
    tree = machine(*ports[: request.param], name="a-node").build().write(tmp_path / "tree")
    plan, record = tmp_path / "plan.toml", tmp_path / "record.json"
    plan.write_text(PLAN)
    sys.argv = ["linkprobe", "qualify", str(plan), "--sysfs", str(tree), "-o", str(record), "--field", "operator=Ada"]
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 1
    return page(record, tmp_path / "page.html")


def of(record: bytes, tmp_path: Path) -> Path:
    (tmp_path / "record.json").write_bytes(record)
    return page(tmp_path / "record.json", tmp_path / "page.html")


def test_each_soak_has_the_strips_of_its_links_the_worst_first(tmp_path: Path) -> None:
    text = of(qualified(16, 600.0), tmp_path).read_text()
    over_time = text.partition("<h2>Over time, an hour of load</h2>")[2].partition("<h2>")[0]
    order = re.findall(r"<h3>(slot \d+) \(port [0-9a-f:.]+\): (\w+)", over_time)
    assert order[:4] == [("slot 4", "failed"), ("slot 1", "failed"), ("slot 2", "failed"), ("slot 3", "inconclusive")]
    assert over_time.count("<svg") == 15
    assert "8 GT/s x4" in over_time
    assert "<td>storage-read /dev/nvme0n1</td>" in text.partition("What was carried, an hour of load")[2]
    head = text.partition('<div class="verdict">')[2].partition("</div>")[0]
    assert re.search(r"<li>an hour of load failed: slot 4 [^<]*the component is gone", head)


def test_it_is_alone_readable_and_fits_a_phone_and_paper(written: Path, browser: webdriver.Chrome) -> None:
    assert "<script" not in written.read_text().lower()
    browser.get_log("browser")
    browser.get(written.as_uri())
    assert browser.get_log("browser") == []
    found = Axe().run(browser)
    assert [(item["id"], item["nodes"][0]["html"]) for item in found["violations"]] == []
    for width in (390, 794):  # a phone, and A4 at 96 dots an inch
        screen = {"width": width, "height": 1000, "deviceScaleFactor": 1, "mobile": False}
        browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        assert browser.execute_script("return window.innerWidth") == width
        assert browser.execute_script("return document.documentElement.scrollWidth - window.innerWidth") <= 0
    hidden = "return [...document.querySelectorAll('.wide')].filter(x => x.scrollWidth > x.clientWidth).length"
    assert browser.execute_script(hidden) == 0  # nothing is cut off on paper
    browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
