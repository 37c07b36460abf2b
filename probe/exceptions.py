"""The errors a person can meet, each with what, where and remedy as fields, and the exit status it ends in.

LinkprobeError
├── InputError       what the person gave is wrong          exit 64
├── DocumentError    a saved document cannot be used        exit 64
├── NothingToJudge   the source holds no PCIe link          exit 3
└── InternalError    linkprobe itself is wrong              exit 70
"""

from collections.abc import Callable
from functools import partial
from traceback import extract_tb
from typing import Self

from probe.exit_status import ExitStatus

TRACEBACK_VARIABLE = "LINKPROBE_TRACEBACK"


class LinkprobeError(Exception):
    """Something to tell a person; str() is one sentence that says what, where and the remedy.

    It can be pickled, so that a child process hands it back as itself.
    """

    status = ExitStatus.USAGE

    def __init__(self, what: str, *, where: str, remedy: str) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        """The sentence."""
        return f"{self.where}: {self.what}; {self.remedy}"

    def __reduce__(self) -> tuple[Callable[..., Self], tuple[object, ...]]:
        """The same error made again elsewhere; a subclass of more fields says so itself."""
        return partial(type(self), self.what, where=self.where, remedy=self.remedy), ()


class InputError(LinkprobeError):
    """What the person gave on the command line is wrong."""


class DocumentError(LinkprobeError):
    """A saved document cannot be used."""


class NothingToJudge(LinkprobeError):
    """The source holds no PCIe link."""

    status = ExitStatus.NOTHING_JUDGED


class InternalError(LinkprobeError):
    """The program itself is wrong: whatever no other error foresaw. Never reads as a finding."""

    status = ExitStatus.INTERNAL

    @classmethod
    def of(cls, error: BaseException) -> Self:
        """An error that nobody foresaw, as one that says where it happened and what to send."""
        places = [f"{frame.filename.rpartition('/probe/')[2]} line {frame.lineno}"
                  for frame in extract_tb(error.__traceback__) if "/probe/" in frame.filename]  # fmt: skip
        told = " ".join(str(error).split())
        what = f"an error of linkprobe itself, which says nothing about the machine ({type(error).__name__}: {told})"
        remedy = f"please report it with the input and what {TRACEBACK_VARIABLE}=1 shows"
        return cls(what, where=places[-1] if places else "linkprobe", remedy=remedy)
