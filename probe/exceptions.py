"""The errors a person can meet, each with what, where and remedy, and the exit status it ends in.

LinkprobeError
├── InputError       what the person gave is wrong          exit 64
├── DocumentError    a saved document cannot be used        exit 64
└── NothingToJudge   the source holds no PCIe link          exit 3
"""

from probe.exit_status import ExitStatus


class LinkprobeError(Exception):
    """Something a person can put right; str() is one sentence that says what, where and the remedy."""

    status = ExitStatus.USAGE

    def __init__(self, what: str, *, where: str, remedy: str) -> None:
        super().__init__(f"{where}: {what}; {remedy}")


class InputError(LinkprobeError):
    """What the person gave on the command line is wrong."""


class DocumentError(LinkprobeError):
    """A saved document cannot be used."""


class NothingToJudge(LinkprobeError):
    """The source holds no PCIe link."""

    status = ExitStatus.NOTHING_JUDGED
