"""Each check that is turned off somewhere says why, beside it, in words of its own."""

import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.tree import TOP

FOLDERS = ("probe", "fake_sysfs", "tests", "packaging")
LINT = re.compile(r"# noqa: [A-Z]+\d+(?:, [A-Z]+\d+)*(?P<reason> - (?!as above|as in )\S.*)?")
TYPES = re.compile(r"# type: ignore\[[a-z-]+(?:, [a-z-]+)*\](?P<reason> # (?!as above|as in )\S.*)?")
BARE = re.compile(r"# (?:noqa(?!:)|type: ignore(?!\[)|pragma: no cover|mypy:|ruff: noqa)")
SKIPS = re.compile(r"pytest\.(?:importorskip|xfail|mark\.xfail|mark\.skip\b)|pytest\.skip\(\)")
"""A `skipif` without a reason is refused by pytest itself where its condition is no text."""


def comments(text: str) -> Iterator[tuple[int, str]]:
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type == tokenize.COMMENT:
            yield token.start[0], token.string


def without_reason(text: str, where: str) -> Iterator[str]:
    for line, comment in comments(text):
        found = [match for kind in (LINT, TYPES) if (match := kind.search(comment))]
        if BARE.search(comment) or any(match["reason"] is None for match in found):
            yield f"{where} line {line}: {comment}"


def sources() -> list[Path]:
    return [path for folder in FOLDERS for path in sorted((TOP / folder).rglob("*.py")) if ".venv" not in path.parts]


def test_a_comment_that_turns_a_check_off_says_why() -> None:
    assert [found for path in sources() for found in without_reason(path.read_text(), str(path))] == []


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("x = 1  # noqa: S603", 1),
        ("x = 1  # noqa: S603, S607 - our own program", 0),
        ("x = 1  # noqa: S603 - as above", 1),
        ("x = 1  # noqa", 1),
        ("x = 1  # type: ignore[arg-type]", 1),
        ("x = 1  # type: ignore[arg-type] # mypy cannot know", 0),
        ("x = 1  # type: ignore", 1),
    ],
)
def test_the_law_sees_what_it_forbids(line: str, told: int) -> None:
    assert len(list(without_reason(f"{line}\n", "made up"))) == told


def test_no_test_is_skipped_without_a_word() -> None:
    found = [str(path) for path in sources() if path != Path(__file__) and SKIPS.search(path.read_text())]
    assert found == []


def test_layouts_that_the_formatter_leaves_alone_are_tables_of_several_lines() -> None:
    """`# fmt: skip` keeps values in rows, as a table has them; DEVELOPERS.md says so once for all."""
    found = []
    for path in sources():
        lines = path.read_text().splitlines()
        for number, line in enumerate(lines, 1):
            code, mark, _ = line.partition("# fmt: skip")
            closed = sum(code.count(letter) for letter in ")]}") - sum(code.count(letter) for letter in "([{")
            if mark and path != Path(__file__) and closed < 1:
                found.append(f"{path.relative_to(TOP)} line {number}: {line.strip()}")
    assert found == []
