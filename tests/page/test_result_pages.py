"""Pages of tests that write to hardware, held to the same as all pages."""

from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from probe.documents.files import encode
from tests.active import made_results
from tests.page.conftest import page
from tests.page.test_pages import (
    test_an_accessibility_checker_finds_nothing,
    test_it_fits_a_phone_and_paper,
    test_the_page_is_alone_and_runs_nothing,
)

RESULTS: dict[str, Callable[[], msgspec.Struct]] = {
    "training": made_results.training, "speeds": made_results.speeds, "margin": made_results.margins,
}  # fmt: skip


@pytest.fixture(params=sorted(RESULTS))
def written(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    document = tmp_path / "document"
    document.write_bytes(encode(RESULTS[request.param]()))
    return page(document, tmp_path / "page.html")


__all__ = [
    "test_an_accessibility_checker_finds_nothing", "test_it_fits_a_phone_and_paper",
    "test_the_page_is_alone_and_runs_nothing", "written",
]  # fmt: skip
