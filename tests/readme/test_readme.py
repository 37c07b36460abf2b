"""README shows what the program prints: every command in it is run, in its order, and what it shows must come."""

import os
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from probe.verdict.verdicts import Verdict

TOP = Path(__file__).parents[2]
README = (TOP / "README.md").read_text()
PROMPT, INDENT, LEFT_OUT = "$ ", "    ", "..."


class Shown(NamedTuple):
    """A command and the lines that README shows of its output."""

    command: str
    lines: list[str]


def shown() -> list[Shown]:
    """Every command of an indented block, with the lines up to the next one or to the block's end."""
    found: list[Shown] = []
    inside = False
    for line in README.splitlines():
        text = line.removeprefix(INDENT)
        if not line.startswith(INDENT):
            inside = inside and not line
        elif text.startswith(PROMPT):
            found.append(Shown(text.removeprefix(PROMPT), []))
            inside = True
        elif inside:
            found[-1].lines.append(text)
    return found


def test_every_command_prints_what_is_shown(tmp_path: Path) -> None:
    for item in shown():
        words = shlex.split(item.command)
        assert words[0] in {"linkprobe", "packaging/run"}
        done = subprocess.run(
            [sys.executable, "-m", "probe", *words[1:]], cwd=tmp_path, capture_output=True, text=True, check=False,
            env={**os.environ, "PYTHONPATH": str(TOP), "COLUMNS": "110"},
        )  # fmt: skip
        assert done.returncode < 3, done.stderr
        printed = [" ".join(line.split()) for line in (done.stderr + done.stdout).splitlines()]
        came(item, printed)


def came(item: Shown, printed: list[str]) -> None:
    """Each line in its order, one after the other unless dots stand between; columns may be narrower."""
    at, anywhere = 0, True
    for line in item.lines:
        if line.strip() == LEFT_OUT:
            anywhere = True
            continue
        wanted = " ".join(line.split())
        places = [index for index in range(at, len(printed)) if printed[index] == wanted]
        assert places, f"{item.command}: {wanted!r} is not printed after line {at} of {printed}"
        assert anywhere or places[0] == at or not any(printed[at : places[0]]), f"{item.command}: not next: {wanted!r}"
        at, anywhere = places[0] + 1, False


def test_verdict_words_stand_before_the_long_table() -> None:
    table = README.index("| `full` |")
    assert table < README.index("## Everyday use")
    assert all(f"| `{word}` |" in README for word in Verdict)
