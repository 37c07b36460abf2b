"""How a soak or an active test ended, for a link and for the whole: three words, one table for all."""

from collections.abc import Iterable
from enum import StrEnum

from probe.exit_status import ExitStatus, status_of


class Result(StrEnum):
    """How a test ended, for a link and for the whole."""

    PASSED = "passed"
    FAILED = "failed"
    INCONCLUSIVE = "inconclusive"


def overall(results: Iterable[Result]) -> Result:
    """The result of the whole: failed if any failed, passed if there are any and all passed."""
    found = set(results)
    if Result.FAILED in found:
        return Result.FAILED
    return Result.PASSED if found == {Result.PASSED} else Result.INCONCLUSIVE


def status_of_result(result: Result, *, urgent: bool) -> ExitStatus:
    """2 if urgent, 1 if it failed, 3 if inconclusive, else 0."""
    return status_of(urgent=urgent, found=result is Result.FAILED, judged=result is not Result.INCONCLUSIVE)
