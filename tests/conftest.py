"""Fixtures shared by all tests."""

import io
import sys
from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree
from probe.audit.audit import audit
from probe.audit.document import AuditDocument, LinkDocument
from probe.cli.main import main
from probe.host.machine import read_machine

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
