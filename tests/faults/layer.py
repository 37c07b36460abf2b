"""Steers the layer: builds it, starts the program under it, and says what a run came to."""

import errno
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple, Self

TOP = Path(__file__).parents[2]
SHORT, HANG = -1, -2
WHATS = {name: getattr(errno, name) for name in ("EIO", "EACCES", "ENODEV", "ENOENT", "EINTR", "ENOSPC", "EROFS")} | {
    "short": SHORT, "hang": HANG,
}  # fmt: skip


class Fault(NamedTuple):
    """The Nth call of a kind on files below a directory, and what it does; from there on all, where `onwards`."""

    kind: str
    nth: int
    what: str
    onwards: bool = False

    def __str__(self) -> str:
        """Short, for a test's name."""
        return f"{self.kind} {self.nth}{' on' if self.onwards else ''} {self.what}"


class Ran(NamedTuple):
    """What a run came to; `status` is None for one that had to be ended."""

    status: int | None
    seen: int
    done: int
    out: str
    err: str


class Layered:
    """The program, ready to run under the layer."""

    def __init__(self, folder: Path, *modules: str) -> None:
        self._folder = folder
        library = folder / "layer.so"
        if not library.exists():
            compiler = shutil.which("cc") or shutil.which("gcc")
            assert compiler, "a C compiler is needed"
            source = str(Path(__file__).with_name("layer.c"))
            subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", library, source, "-ldl"], check=True)
        self._process = subprocess.Popen(
            [sys.executable, Path(__file__).with_name("server.py"), library, *modules],
            env={**os.environ, "LD_PRELOAD": str(library), "PYTHONPATH": str(TOP), "PYTHONDONTWRITEBYTECODE": "1",
                 "HOME": str(folder), "COLUMNS": "120"},
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )  # fmt: skip

    def __enter__(self) -> Self:
        """Ready."""
        return self

    def __exit__(self, *_: object) -> None:
        """Ended."""
        assert self._process.stdin
        assert self._process.stdout
        self._process.stdin.close()
        self._process.wait(20)
        self._process.stdout.close()

    def run(self, arguments: Sequence[object], fault: Fault, below: Path, *, limit_s: float = 60.0) -> Ran:
        """One command with one fault."""
        out, err = self._folder / "out.txt", self._folder / "err.txt"
        order: dict[str, Any] = {
            "arguments": [str(item) for item in arguments], "kind": fault.kind, "below": str(below), "nth": fault.nth,
            "onwards": int(fault.onwards), "what": WHATS[fault.what], "limit_s": limit_s,
            "out": str(out), "err": str(err),
        }  # fmt: skip
        assert self._process.stdin
        assert self._process.stdout
        print(json.dumps(order), file=self._process.stdin, flush=True)
        answer = json.loads(self._process.stdout.readline())
        told = (path.read_text(errors="replace") for path in (out, err))
        return Ran(answer["status"], answer["seen"], answer["done"], *told)
