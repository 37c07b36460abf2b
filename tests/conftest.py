"""Fixtures shared by all tests."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree
from probe.host.machine import read_machine
from probe.links.audit import audit
from probe.snapshot.audit import AuditDocument, LinkDocument

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


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--refresh-golden", action="store_true", help="write the golden documents anew; then read them")
