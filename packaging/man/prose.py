"""What a person wrote for a page, with lines of our own filled in; what the program prints, on one scene."""

import atexit
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from textwrap import wrap

import tables
from document_fields import fields, rows
from scdoc import Page, literal

from fake_sysfs.demonstration import correlator, correlator_after_load
from probe.audit.snapshot import take
from probe.cli.commands import COMMANDS
from probe.documents.files import encode
from probe.documents.writing import write_atomically
from probe.exit_status import ExitStatus
from probe.host.machine import read_machine
from probe.host.source import MemorySource, Origin
from probe.schemas import Schema

HERE = Path(__file__).parent
TOP = HERE.parents[1]
SOURCE = ".scd.in"
_COLUMNS = 73  # of what is shown: with the indent of a page it fills a screen of 80


def prose_pages() -> Iterator[Page]:
    """The pages that no command has."""
    commands = {"linkprobe.1", *(f"linkprobe-{row.name}.1" for row in COMMANDS)}
    for page in sorted(path.name.removesuffix(SOURCE) for path in HERE.glob(f"*{SOURCE}")):
        if page not in commands:
            name, section = page.rsplit(".", 1)
            yield Page(name, int(section), prose(page))


def prose(name: str) -> str:
    """What stands here for a page, filled in. Raises ValueError where nothing does."""
    path = HERE / f"{name}{SOURCE}"
    if not path.exists():
        raise ValueError(
            f"{path.relative_to(TOP)} is not there: write it, with # EXAMPLES at least, as those beside it"
        )
    return "".join(map(_filled, path.read_text().splitlines())) + "\n"


def _filled(line: str) -> str:
    word, _, rest = line.partition(" ")
    if word in _LISTS:
        return _LISTS[word]()
    if word in _SHOWN:
        return _SHOWN[word](rest) + "\n"
    return f"{line}\n"


@cache
def scene() -> Path:
    """The demonstration machine in a folder: its tree `node`, snapshots `delivered`, `before`, `after` load, a plan."""
    folder = Path(tempfile.mkdtemp(prefix="linkprobe-manual-"))
    atexit.register(shutil.rmtree, folder)
    correlator().build().write(folder / "node")
    shutil.copy(HERE / "plan.toml", folder)
    moments = (("delivered", correlator(), 8), ("before", correlator(), 8), ("after", correlator_after_load(), 10))
    for name, described, hour in moments:
        tree, origin = described.build(), Origin(f"2026-03-20T{hour:02}:00:00Z", privileged=True)
        source = MemorySource(tree.files, tree.links, described.name, origin=origin)
        write_atomically(folder / f"{name}.json.gz", encode(take(read_machine(source))))
    return folder


def _typed(words: str) -> str:
    """The line that a person types, on several where it is long."""
    lines = wrap(f"$ linkprobe {words}", _COLUMNS - 2, subsequent_indent="    ", break_on_hyphens=False)
    return " \\\n".join(lines)


def printed(words: str) -> str:
    """What linkprobe prints on the scene, as at a terminal, and then the exit status if it is not 0."""
    done = subprocess.run(
        [sys.executable, "-m", "probe", *shlex.split(words)], cwd=scene(), capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(TOP), "COLUMNS": str(_COLUMNS)},
    )  # fmt: skip
    if done.returncode not in tables.STATUS or done.returncode > ExitStatus.NOTHING_JUDGED:
        raise ValueError(f"linkprobe {words}: {done.stderr}")
    text = "\n".join(line.rstrip() for line in (done.stderr + done.stdout).splitlines())
    return text + (f"\n$ echo $?\n{done.returncode}" if done.returncode else "")


_LISTS: dict[str, Callable[[], str]] = {
    "@commands": tables.commands,
    "@verdicts": tables.verdicts,
    "@questions": tables.questions,
    "@statuses": tables.statuses,
    "@cautions": tables.cautions,
    "@loads": tables.loads,
    "@metrics": tables.metrics,
    "@rows": rows,
}
_SHOWN: dict[str, Callable[[str], str]] = {
    "@run": lambda words: literal(f"{_typed(words)}\n{printed(words)}"),
    "@show": lambda name: literal((TOP / "packaging" / name).read_text()),
    "@fields": lambda names: fields(map(Schema, names.split())),
}
