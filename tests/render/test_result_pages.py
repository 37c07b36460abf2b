"""Pages of tests that write to hardware say what the documents say."""

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from probe.active.comparing import ResultDocument
from probe.active.documents import TrainingDocument
from probe.documents.files import encode
from probe.render.html.page import html
from probe.render.html.training_picture import training_picture
from probe.render.renderers import Medium, renderer
from tests.active import made_results as made
from tests.conftest import Run

DOCUMENTS: dict[str, Callable[[], ResultDocument]] = {
    "training": made.training, "unobserved": made.unobserved, "speeds": made.speeds, "margin": made.margins,
}  # fmt: skip


def text_of(document: msgspec.Struct) -> str:
    page = html(renderer(document, Medium.HTML)(document))
    return " ".join(re.sub(r"<[^>]+>", " ", page).replace("&#39;", "'").split())


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
def test_each_reason_stands_on_the_page(name: str) -> None:
    document = DOCUMENTS[name]()
    page = text_of(document)
    assert document.result in page
    for link in document.links:
        for reason in link.reasons:
            assert reason in page
    assert "All is as it was." in page


def test_trainings_are_counted_and_the_short_ones_listed() -> None:
    page = text_of(made.training())
    assert "56 good, 3 narrower, 1 slower" in page
    assert "8 narrower 16 GT/s x4" in page
    assert "lane 4, 5 in error (port)" in page


def test_each_short_training_has_a_cross_and_each_unseen_one_a_ring() -> None:
    def marks(kind: str, document: TrainingDocument) -> int:
        (link,) = document.links
        root = ET.fromstring(training_picture(link.attempts))  # noqa: S314 - our own picture
        return len(root.findall(f"{{http://www.w3.org/2000/svg}}{kind}"))

    seen, unseen = made.training(), made.unobserved()
    assert (marks("rect", seen), marks("path", seen), marks("circle", seen)) == (60, 4, 0)
    assert (marks("path", unseen), marks("circle", unseen)) == (0, 5)


def test_a_thousand_trainings_share_bars_and_no_short_one_is_lost() -> None:
    (link,) = made.training().links
    many = (link.attempts * 20)[:1000]
    root = ET.fromstring(training_picture(many))  # noqa: S314 - our own picture
    bars = root.findall("{http://www.w3.org/2000/svg}rect")
    assert len(bars) == 200
    short = [number for number, attempt in enumerate(many) if attempt.kind != "good"]
    assert len(root.findall("{http://www.w3.org/2000/svg}path")) == len({number // 5 for number in short})


def test_a_generation_that_did_not_train_is_on_the_page() -> None:
    page = text_of(made.speeds())
    assert "16 GT/s yes no not known not known 8 GT/s x8" in page
    assert "yes, 1.3 GB/s" in page


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
def test_the_command_writes_the_page_and_redacts_it(name: str, tmp_path: Path, run: Run) -> None:
    (tmp_path / "result.json").write_bytes(encode(DOCUMENTS[name]()))
    status, _, _ = run("report", tmp_path / "result.json", "-o", tmp_path / "page.html", "--redact")
    page = (tmp_path / "page.html").read_text()
    assert (status, "mast-01" in page, "1" * 32 in page) == (0, False, False)
