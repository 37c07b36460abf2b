"""What is asked of a step, and its limit, in words for a record. Pure."""

from collections.abc import Iterable

from probe.counted import counted
from probe.qualify.plan import (
    AnyStep,
    CommandStep,
    ComparisonStep,
    ExpectationsStep,
    MarginsStep,
    RebootStep,
    SnapshotStep,
    SoakStep,
    SpeedsStep,
    TrainingsStep,
)


def _links(words: Iterable[str]) -> str:
    return ", ".join(words) or "all links that hold something"


def asked_of(step: AnyStep) -> str:
    """What a step is to do."""
    match step:
        case SnapshotStep(links=words, judged=judged):
            return f"the evidence of the machine{f', judged: {_links(words)}' if judged else ', not judged by itself'}"
        case ExpectationsStep(file=file):
            return f"the machine held to {file}"
        case TrainingsStep(links=words, way=way, times=times):
            return f"{counted(times, 'training')} by {way}: {_links(words)}"
        case SpeedsStep(links=words, seconds=seconds, loads=loads):
            return f"every speed, {seconds:g} s at each, {', '.join(loads) or 'without a load'}: {_links(words)}"
        case MarginsStep(links=words, end=end, seconds=seconds, lanes=lanes):
            return f"margins of lanes {lanes or 'all'}, receivers of {end}, {seconds:g} s a step: {_links(words)}"
        case SoakStep(links=words, minutes=minutes, loads=loads):
            return f"{_minutes(minutes)} under {', '.join(loads) or 'no load of ours'}: {_links(words)}"
        case CommandStep(run=run, minutes=minutes):
            return f"{' '.join(run)}, within {_minutes(minutes)}"
        case RebootStep(by_hand=by_hand):
            return "the machine started anew" + (", and the command given again by hand" if by_hand else "")
        case ComparisonStep(before=before, after=after):
            return f"{before} compared with {after}"


def limit_of(step: AnyStep, hottest_c: float | None) -> str:
    """What it has to keep to pass."""
    own = _own_limit(step)
    return own if hottest_c is None else f"{own}; below {hottest_c:g} C"


def _own_limit(step: AnyStep) -> str:
    match step:
        case SnapshotStep(judged=judged):
            return "no link below what both ends can do" if judged else "none"
        case ExpectationsStep():
            return "every rule of the file"
        case TrainingsStep(most_short=most):
            return f"{most} short at the most"
        case SpeedsStep():
            return "each trained to, carrying data where loaded, without errors"
        case MarginsStep(at_least_ui=time, at_least_volts=level, error_limit=errors):
            told = [f"{time:g} UI" if time is not None else "", f"{level:g} V" if level is not None else ""]
            least = " and ".join(filter(None, told))
            wide = f"at least {least} each way" if least else "no lane narrower than its fellows"
            return f"{wide}, {counted(errors, 'error')}"
        case SoakStep(correctable=limit, at_least=share):
            least = "" if share is None else f", at least {share:.4g} of its ceiling each way"
            return f"at its best under load, no uncorrectable error, correctable link errors below {limit}{least}"
        case CommandStep(passes_with=passes):
            return f"status {', '.join(map(str, passes))}"
        case RebootStep():
            return "another boot"
        case ComparisonStep(correctable=limit):
            return f"nothing worse{f', correctable link errors below {limit}' if limit else ''}"


def _minutes(minutes: float) -> str:
    return "1 minute" if minutes == 1 else f"{minutes:g} minutes"
