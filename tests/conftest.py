"""Fixtures shared by all tests."""

import io
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from fake_sysfs import Machine, Tree
from probe.audit.audit import audit
from probe.audit.document import AuditDocument, LinkDocument
from probe.cli.main import main
from probe.host.machine import read_machine
from tests.search import PROFILE

settings.load_profile(PROFILE)

Run = Callable[..., tuple[int, str, str]]
Judge = Callable[[Machine | Tree], AuditDocument]


@pytest.fixture
def judge() -> Judge:
    """Judge a described machine or a built tree."""

    def run(described: Machine | Tree) -> AuditDocument:
        tree = described.build() if isinstance(described, Machine) else described
        return audit(read_machine(tree.source()))

    return run


@pytest.fixture
def judge_one(judge: Judge) -> Callable[[Machine | Tree], LinkDocument]:
    """Judge a machine of one link."""

    def run(described: Machine | Tree) -> LinkDocument:
        (link,) = judge(described).links
        return link

    return run


@pytest.fixture
def run(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    def call(*arguments: object, stdin: bytes = b"") -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["linkprobe", *map(str, arguments)])
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(stdin)))
        with pytest.raises(SystemExit) as ended:
            main()
        captured = capfd.readouterr()
        return int(ended.value.code or 0), captured.out, captured.err

    return call


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--refresh-golden", action="store_true", help="write the golden documents anew; then read them")


@pytest.fixture
def accelerators(monkeypatch: pytest.MonkeyPatch) -> Iterator[pytest.MonkeyPatch]:
    """Two made-up accelerators, at 0000:01:00.0 and 0000:02:00.0, in this process and in those of loads."""
    monkeypatch.syspath_prepend(Path(__file__).parent / "loads" / "fake_cuda")
    monkeypatch.setenv("FAKE_CUDA_BYTES_S", "20e9")
    yield monkeypatch
    for name in [name for name in sys.modules if name == "cuda" or name.startswith("cuda.")]:
        del sys.modules[name]
