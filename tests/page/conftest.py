"""A headless browser that opens pages; in continuous integration it must be there."""

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.options import Options
from selenium.webdriver.chrome.service import Service

from probe.cli.main import main

_FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--hide-scrollbars",
)  # fmt: skip


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if (chromium is None or driver is None) and os.environ.get("LINKPROBE_BROWSER") != "required":
        pytest.skip("needs chromium and chromedriver")
    assert chromium
    assert driver
    options = Options()
    options.binary_location = chromium
    for flag in (*_FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('browser')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    started = webdriver.Chrome(options, Service(driver))
    started.get("about:blank")  # what the browser's own first tab asks for is over before a page is opened
    yield started
    started.quit()


def page(document: Path, out: Path, *options: str) -> Path:
    """Write a page as a person would."""

    sys.argv = ["linkprobe", "report", str(document), "-o", str(out), *options]
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    return out
