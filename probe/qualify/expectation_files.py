"""The files of expectations that a plan names, read from beside it and kept in the journal word for word."""

from pathlib import Path

from probe.compare.expectation_file import EXPECTATIONS_BYTES, parse
from probe.documents.files import read_bytes
from probe.qualify.plan import ExpectationsStep, Plan


def expectations_text(file: str, folder: Path) -> str:
    """The text of a file of expectations that is whole and sound. Raises InputError, DocumentError."""
    name = str(folder / file)
    content = read_bytes(name, EXPECTATIONS_BYTES)
    parse(content, name)
    return content.decode("utf-8-sig")


def files_of(plan: Plan, folder: Path) -> dict[str, str]:
    """Every file that a plan names, by its name there. Raises InputError, DocumentError."""
    names = dict.fromkeys(step.file for step in plan.step if isinstance(step, ExpectationsStep))
    return {name: expectations_text(name, folder) for name in names}
