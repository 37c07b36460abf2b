"""Running a command in this process."""

import io
import sys
from collections.abc import Callable

import pytest

from probe.cli.main import main

Run = Callable[..., tuple[int, str, str]]


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
