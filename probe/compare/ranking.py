"""Raw differences told as ranked changes and error findings. The ranks are the policy, and this file alone holds it."""

from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping

import msgspec

from probe.audit.document import LinkDocument
from probe.compare.changes import Alteration, Change, Comparison, CountGrowth, LinkErrors, Rank
from probe.compare.comparable import OCCUPANT, as_count
from probe.errors.attribution import (
    NO_DIRECTION,
    ErrorFinding,
    direction,
    findings,
    is_data_error,
    is_link_error,
    sentence,
)
from probe.errors.limits import Limits
from probe.errors.log_events import EventKind, LogEvent
from probe.exit_status import ExitStatus
from probe.registers.errors import CORRECTABLE_NAMES
from probe.verdict.words import BELOW_CAPABILITY, Verdict

_HOUR_S = 3600.0
_RANK_ORDER = {Rank.WORSE: 0, Rank.NEUTRAL: 1, Rank.BETTER: 2}
_SERIAL = "serial "


def tell(raw: Comparison, links: Mapping[str, LinkDocument], limits: Limits) -> Comparison:
    """The comparison with its sentences. `links` are those of the later snapshot, by place."""
    errors = tuple(_errors(raw, links, limits))
    found = [*_presence(raw), *_values(raw), *_host(raw), *_log(raw), *_grown(errors)]
    changes = sorted(
        found, key=lambda item: (not item.urgent, _RANK_ORDER[item.rank], item.place, item.kind, item.sentence)
    )
    return msgspec.structs.replace(raw, changes=tuple(changes), errors=errors, notes=tuple(_notes(raw)))


def _order(item: Change) -> tuple[bool, int, str, str, str]:
    return not item.urgent, _RANK_ORDER[item.rank], item.place, item.kind, item.sentence


def exit_status(comparison: Comparison) -> ExitStatus:
    """2 if anything is urgent, 1 if anything is worse or a limit is exceeded, else 0."""
    if any(change.urgent for change in comparison.changes):
        return ExitStatus.URGENT
    worse = any(change.rank is Rank.WORSE for change in comparison.changes)
    return ExitStatus.FOUND if worse or any(item.exceeded for item in comparison.errors) else ExitStatus.CLEAN


def _by_name(raw: Comparison) -> dict[str, dict[str, Alteration]]:
    found: dict[str, dict[str, Alteration]] = defaultdict(dict)
    for item in raw.alterations:
        found[item.place][item.name] = item
    return found


def _presence(raw: Comparison) -> Iterator[Change]:
    """Components gone, come, moved or replaced, and ports gone or come."""
    altered = _by_name(raw)
    swaps = {place: names[OCCUPANT] for place, names in altered.items() if OCCUPANT in names}
    left = {item.before: place for place, item in swaps.items() if item.before and item.before.startswith(_SERIAL)}
    moved = {item.after: place for place, item in swaps.items() if item.after in left}
    for known, place in moved.items():
        yield _moved(raw, known or "", left[known], place)
    for place, item in swaps.items():
        before = None if item.before in moved else item.before
        after = None if item.after in moved else item.after
        if before or after:
            yield _swapped(raw, place, before, after, port_gone=_port_gone(altered[place]))
    for place, names in altered.items():
        if "port" in names and OCCUPANT not in names:
            gone = _port_gone(names)
            yield Change(
                rank=Rank.WORSE if gone else Rank.BETTER,
                kind="port",
                place=raw.titles[place],
                sentence="the port is gone" if gone else "a port is there that was not before",
                evidence="list of functions",
                urgent=gone,
            )


def _port_gone(names: Mapping[str, Alteration]) -> bool:
    return "port" in names and names["port"].after is None


def _moved(raw: Comparison, known: str, source: str, target: str) -> Change:
    return Change(
        rank=Rank.NEUTRAL,
        kind="moved",
        place=raw.titles[target],
        sentence=f"{raw.components.get(known, known)} moved here from {raw.titles[source]}",
        evidence=f"Device Serial Number {known.removeprefix(_SERIAL)}",
    )


def _swapped(raw: Comparison, place: str, before: str | None, after: str | None, *, port_gone: bool) -> Change:
    was = raw.components.get(before or "", before)
    now = raw.components.get(after or "", after)
    evidence = f"component before: {before or 'none'}; after: {after or 'none'}"
    where = raw.titles[place]
    if before and after:
        sentence = f"{was} was replaced by {now}"
        return Change(rank=Rank.NEUTRAL, kind="replaced", place=where, sentence=sentence, evidence=evidence)
    if after:
        sentence = f"{now} is there that was not before"
        return Change(rank=Rank.BETTER, kind="come", place=where, sentence=sentence, evidence=evidence)
    sentence = f"{was} is gone{', and so is its port' if port_gone else ''}"
    return Change(rank=Rank.WORSE, kind="gone", place=where, sentence=sentence, evidence=evidence, urgent=True)


def _values(raw: Comparison) -> Iterator[Change]:
    for place, names in _by_name(raw).items():
        if not place or OCCUPANT in names:
            continue
        for name, item in names.items():
            if name == "error status":
                yield from _status(raw, place, item)
            teller = _TELLERS.get(name)
            if teller is not None:
                rank, sentence = teller(item, names)
                urgent = name == "answers" and rank is Rank.WORSE
                evidence = f"{name}: {item.before or 'none'} before, {item.after or 'none'} after"
                yield Change(
                    rank=rank, kind=name, place=raw.titles[place], sentence=sentence, evidence=evidence, urgent=urgent
                )


def _status(raw: Comparison, place: str, item: Alteration) -> Iterator[Change]:
    """Status bits newly set that no counter tells of: the kernel was not told, or could not count."""
    counted = {(growth.end, growth.error) for growth in raw.counts if growth.place == place}
    before, after = _by_end(item.before), _by_end(item.after)
    for end, error in sorted(after - before - counted):
        way = direction(end, error)
        suspect = "" if way == NO_DIRECTION else f"; suspect {way}"
        correctable = error in CORRECTABLE_NAMES
        yield Change(
            rank=Rank.NEUTRAL if correctable else Rank.WORSE,
            kind="error status",
            place=raw.titles[place],
            sentence=f"at least one {error} at the {end}, which no counter tells of{suspect}",
            evidence=f"error status of the {end}: {item.before or 'none'} before, {item.after or 'none'} after",
        )
    for end, error in sorted(before - after):
        yield Change(
            rank=Rank.NEUTRAL,
            kind="error status",
            place=raw.titles[place],
            sentence=f"the {error} bit at the {end} was cleared",
            evidence=f"error status of the {end}: {item.before or 'none'} before, {item.after or 'none'} after",
        )


def _by_end(text: str | None) -> set[tuple[str, str]]:
    found = set()
    for part in (text or "").split("; "):
        end, _, names = part.partition(": ")
        found |= {(end, name) for name in names.split(", ") if name}
    return found


def _rests(names: Mapping[str, Alteration]) -> bool:
    """Whether the link rests in either snapshot: then a difference in speed is no news."""
    verdict = names.get("verdict")
    return verdict is not None and Verdict.RESTING.value in {verdict.before, verdict.after}


Told = tuple[Rank, str]
Names = Mapping[str, Alteration]


def _number(text: str | None) -> float:
    digits = (text or "0").removeprefix("x").partition(" ")[0]
    return float(digits or 0)


def _tell_state(item: Alteration, names: Names) -> Told:
    less = _number(item.after) < _number(item.before)
    word = "fell" if less else "rose"
    sentence = f"{item.name} {word} from {item.before or 'not read'} to {item.after or 'not read'}"
    if _rests(names) or item.before is None or item.after is None:
        return Rank.NEUTRAL, sentence
    return (Rank.WORSE if less else Rank.BETTER), sentence


def _tell_verdict(item: Alteration, _: Names) -> Told:
    sentence = f"was {item.before}, is {item.after}"
    was, now = item.before in BELOW_CAPABILITY, item.after in BELOW_CAPABILITY
    return (Rank.NEUTRAL if was == now else Rank.WORSE if now else Rank.BETTER), sentence


def _tell_lanes(item: Alteration, _: Names) -> Told:
    grew = len(item.after or "") > len(item.before or "")
    sentence = f"lanes in error: {item.before or 'none'} before, {item.after or 'none'} now"
    return (Rank.WORSE if grew else Rank.BETTER), sentence


def _tell_equalization(item: Alteration, names: Names) -> Told:
    lost = len(item.after or "") < len(item.before or "")
    sentence = f"equalization complete at {item.before or 'no rate'} before, at {item.after or 'no rate'} now (GT/s)"
    return (Rank.NEUTRAL if _rests(names) else Rank.WORSE if lost else Rank.BETTER), sentence


def _tell_answers(item: Alteration, _: Names) -> Told:
    if item.after == "no":
        return Rank.WORSE, "the component no longer answers"
    return Rank.BETTER, "the component answers again"


def _tell_setting(item: Alteration, _: Names) -> Told:
    return Rank.NEUTRAL, f"{item.name} changed from {item.before or 'none'} to {item.after or 'none'}"


_TELLERS: dict[str, Callable[[Alteration, Names], Told]] = {
    "answers": _tell_answers,
    "verdict": _tell_verdict,
    "speed": _tell_state,
    "width": _tell_state,
    "lanes in error": _tell_lanes,
    "equalization": _tell_equalization,
    "Max_Payload_Size": _tell_setting,
    "Max_Read_Request_Size": _tell_setting,
    "ASPM": _tell_setting,
    "driver": _tell_setting,
}


def _host(raw: Comparison) -> Iterator[Change]:
    for item in raw.alterations:
        if not item.place:
            words = f"{item.name} changed from {item.before or 'none'} to {item.after or 'none'}"
            yield Change(rank=Rank.NEUTRAL, kind="host", place="this machine", sentence=words, evidence="host identity")


_BAD_EVENTS = frozenset({
    EventKind.CONTAINMENT, EventKind.LINK_DOWN, EventKind.SPEED_HELD, EventKind.COMPLETION_TIMEOUT,
})  # fmt: skip


def _log(raw: Comparison) -> Iterator[Change]:
    """What the kernel logged; a correctable error in the log is told by its counter."""
    for event in raw.events:
        uncorrectable = event.severity in {"nonfatal", "fatal"}
        if event.severity == "correctable":
            continue
        urgent = uncorrectable or event.kind is EventKind.CONTAINMENT
        bad = urgent or event.kind in _BAD_EVENTS
        yield Change(
            rank=Rank.WORSE if bad else Rank.NEUTRAL,
            kind="log",
            place=event.address or "this machine",
            sentence=_logged(event),
            evidence=f"kernel log{'' if event.time_s is None else f' at {event.time_s:.3f} s'}: {event.text}",
            urgent=urgent,
        )


def _logged(event: LogEvent) -> str:
    what = ", ".join(event.errors)
    severity = {"nonfatal": "non-fatal ", "fatal": "fatal "}.get(event.severity or "", "")
    asked = f" on a {event.header.kind}" if event.header is not None else ""
    return f"the kernel logged: {severity}{event.kind}{f' ({what}{asked})' if what else ''}"


def _errors(raw: Comparison, links: Mapping[str, LinkDocument], limits: Limits) -> Iterator[LinkErrors]:
    places: dict[str, list[CountGrowth]] = defaultdict(list)
    for item in raw.counts:
        places[item.place].append(item)
    for place, grown in places.items():
        floor = any(item.floor for item in grown)
        counted = (as_count((g.end, g.function, g.severity, g.error), g.count) for g in grown)
        for finding in findings(counted):
            link = links.get(place)
            limit, exceeded = _limit(finding, raw.elapsed_s, limits)
            timed = raw.elapsed_s is not None and raw.elapsed_s > 0
            yield LinkErrors(
                place=place,
                title=raw.titles[place],
                finding=finding,
                floor=floor,
                per_hour=finding.events / (raw.elapsed_s or 1) * _HOUR_S if timed else None,
                aspm=link.aspm if link is not None else None,
                limit=limit,
                exceeded=exceeded,
                ratio=_ratio(finding, link, raw.elapsed_s) if timed else None,
            )


def _ratio(finding: ErrorFinding, link: LinkDocument | None, elapsed_s: float | None) -> float | None:
    """Errors a bit that the link could carry one way in the time (link time: idle symbols count); not in Flit mode."""
    if link is None or not is_link_error(finding) or link.bandwidth.flit_mode:
        return None
    now = link.negotiated
    if now.speed_gts is None or now.width is None or not elapsed_s:
        return None
    return finding.events / (now.speed_gts * 1e9 * now.width * elapsed_s)


def _limit(finding: ErrorFinding, elapsed_s: float | None, limits: Limits) -> tuple[str, bool]:
    if finding.severity != "correctable":
        told = str(limits.data) if is_data_error(finding) else "any"
        return told, True
    if is_link_error(finding):
        return str(limits.correctable), limits.correctable.exceeded(finding.events, elapsed_s)
    return "none", False


def _grown(errors: tuple[LinkErrors, ...]) -> Iterator[Change]:
    for item in errors:
        finding = item.finding
        urgent = finding.severity != "correctable"
        functions = ", ".join(sorted({row.function for row in finding.rows}))
        ratio = "" if item.ratio is None else f"; error ratio {item.ratio:.1e} of the bits the link could carry"
        yield Change(
            rank=Rank.WORSE if item.exceeded else Rank.NEUTRAL,
            kind="errors",
            place=item.title,
            sentence=sentence(finding, floor=item.floor),
            evidence=f"error counters of {functions}; limit {item.limit}; ASPM {item.aspm or 'not read'}{ratio}",
            urgent=urgent,
        )


def _notes(raw: Comparison) -> Iterator[str]:
    if raw.rebooted:
        yield "The machine was started anew between the two: errors are those since then, the least that came."
    elif any(item.floor for item in raw.counts):
        yield "A counter began anew (its component was removed and found again): its errors are the least that came."
    if raw.elapsed_s is not None and raw.elapsed_s < 0:
        yield "AFTER was taken before BEFORE by the boot clock: no rate is reckoned."
