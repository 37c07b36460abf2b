"""Everything that a qualification measured, as rows: one value a row, with its unit, its limit and its place. Pure."""

from collections.abc import Iterator, Sequence

import msgspec

from probe.active.documents import Attempt, LinkSpeeds, LinkTraining
from probe.active.margining.document import SIDES, TIMING_SIDES, LaneMargin, Limits, MarginedLink, Settings
from probe.audit.document import LinkDocument
from probe.audit.names import title
from probe.audit.snapshot import judged_links
from probe.qualify.course import Turn, turns
from probe.qualify.entries import Begun, Commanded, Entry, Margined, SoakPart, Sped, Taken, Trained, TurnEnded
from probe.qualify.judging import plan_of
from probe.qualify.soak_parts import stitched, watched
from probe.qualify.soaks_of import soaks_of
from probe.soak.journal import LinkSample, Sample, Thinned
from probe.soak.record import record


class Measured(msgspec.Struct, frozen=True, kw_only=True):
    """One value. `of` is the part of the link: a lane, a direction, a training; `text` what is no number."""

    step: int
    name: str
    place: str
    link: str
    of: str
    quantity: str
    value: float | None
    unit: str
    limit: float | None = None
    text: str | None = None


class _Row(msgspec.Struct, frozen=True, kw_only=True):
    """What stands in every row of one link of one step."""

    step: int
    name: str
    place: str = ""
    link: str = ""

    def value(  # noqa: PLR0913 - the columns
        self,
        quantity: str,
        value: float | None,
        unit: str,
        *,
        of: str = "",
        limit: float | None = None,
        text: str | None = None,
    ) -> Measured:
        return Measured(
            step=self.step, name=self.name, place=self.place, link=self.link, of=of, quantity=quantity, value=value,
            unit=unit, limit=limit, text=text,
        )  # fmt: skip


def measured(entries: Sequence[Entry]) -> Iterator[Measured]:
    """Every value in the journal, in its order; soaks last. Raises TypeError for no journal."""
    begun = entries[0]
    if not isinstance(begun, Begun):
        raise TypeError("a journal begins with its head")
    by_number = {turn.number: turn for turn in turns(plan_of(begun))}
    for entry in entries:
        turn = by_number.get(getattr(entry, "turn", 0))
        if turn is not None:
            yield from _of(entry, turn)
    for number, parts in soaks_of(entries).items():
        yield from _soak(parts, by_number[number])


def _of(entry: Entry, turn: Turn) -> Iterator[Measured]:
    row = _Row(step=turn.number, name=turn.name)
    match entry:
        case Taken(snapshot=snapshot):
            for link in judged_links(snapshot):
                if link.component is not None:
                    yield from _state(link, _at(row, link.place_id, title(link)))
        case Trained() | Sped() | Margined():
            yield from _tested(entry, row)
        case Commanded(seconds=seconds, status=status, failure=failure):
            yield row.value("time", seconds, "s")
            yield row.value("status", status, "", text=failure)
        case TurnEnded(hottest_c=hottest) if hottest is not None:
            yield row.value("hottest", hottest, "C", limit=turn.step.hottest_c)
        case _:
            return


def _tested(entry: Trained | Sped | Margined, row: _Row) -> Iterator[Measured]:
    for link in entry.document.links:
        own = _at(row, link.downstream_port, link.title)
        match link:
            case LinkTraining():
                yield from _training(link, own)
            case LinkSpeeds():
                yield from _speeds(link, own)
            case MarginedLink():
                yield from _margins(link, own, entry.document.settings if isinstance(entry, Margined) else None)


def _at(row: _Row, place: str, link: str) -> _Row:
    return msgspec.structs.replace(row, place=place, link=link)


def _state(link: LinkDocument, row: _Row) -> Iterator[Measured]:
    yield row.value("verdict", None, "", text=link.verdict)
    yield row.value("speed", link.negotiated.speed_gts, "GT/s", limit=link.possible.speed_gts)
    yield row.value("width", link.negotiated.width, "lanes", limit=link.possible.width)
    for name in ("correctable", "nonfatal", "fatal"):
        yield row.value(f"{name} errors since boot", getattr(link.errors, name), "errors")


def _training(link: LinkTraining, row: _Row) -> Iterator[Measured]:
    for attempt in link.attempts:
        yield from _attempt(attempt, row, f"training {attempt.number}")
    yield row.value("short", link.short, f"of {link.of}")
    if link.interval is not None:
        yield row.value("share short, at least", link.interval[0], "")
        yield row.value("share short, at most", link.interval[1], "")


def _attempt(attempt: Attempt, row: _Row, of: str) -> Iterator[Measured]:
    yield row.value("outcome", None, "", of=of, text=attempt.kind)
    yield row.value("time", attempt.ms, "ms", of=of)
    yield row.value("speed", attempt.speed_gts, "GT/s", of=of)
    yield row.value("width", attempt.width, "lanes", of=of)


def _speeds(link: LinkSpeeds, row: _Row) -> Iterator[Measured]:
    for step in link.speeds:
        of = f"{step.speed_gts:g} GT/s"
        for name in ("supported", "trained", "carries", "clean"):
            value = getattr(step, name)
            yield row.value(name, None if value is None else float(value), "", of=of)
        yield row.value("data rate", step.bytes_s, "bytes/s", of=of)
        for item in step.errors or ():
            yield row.value(f"{item.severity} errors", item.count, "errors", of=f"{of}, {item.end}", text=item.error)


def _margins(link: MarginedLink, row: _Row, settings: Settings | None) -> Iterator[Measured]:
    limits = Limits() if settings is None else settings.limits
    for receiver in link.receivers:
        for lane in receiver.lanes:
            yield from _lane(lane, limits, row, f"receiver {receiver.number}, lane {lane.lane}")


def _lane(lane: LaneMargin, limits: Limits, row: _Row, of: str) -> Iterator[Measured]:
    for name in SIDES:
        side = lane.side(name)
        if side is None:
            continue
        in_time = name in TIMING_SIDES
        way = f"{of}, {name.replace('_', ' ')}"
        ended = "its range ended there" if side.at_least else None
        yield row.value("margin in steps", side.steps, f"of {side.of_steps} steps", of=way, text=ended)
        limit = limits.at_least_ui if in_time else limits.at_least_volts
        yield row.value("margin", side.ui if in_time else side.volts, "UI" if in_time else "V", of=way, limit=limit)
        if side.last_good is not None:
            yield row.value("bit error ratio below, at the last good step", side.last_good.ratio_below, "", of=way)
    if lane.unmeasured is not None:
        yield row.value("not measured", None, "", of=of, text=lane.unmeasured)


_SAMPLED = {
    "speed_gts": ("speed", "GT/s"), "width": ("width", "lanes"), "to_host_bytes_s": ("data rate to host", "bytes/s"),
    "from_host_bytes_s": ("data rate from host", "bytes/s"), "temperature_c": ("temperature", "C"),
}  # fmt: skip


def _soak(parts: Sequence[SoakPart], turn: Turn) -> Iterator[Measured]:
    row, whole = _Row(step=turn.number, name=turn.name), stitched(parts)
    links = {link.place_id: title(link) for link in watched(parts)}
    found = record(whole)
    for item in found.throughput:
        own = _at(row, item.place_id, links.get(item.place_id, ""))
        of = f"{item.load} {item.target}, {item.direction}"
        yield own.value("data rate, median", item.median_bytes_s, "bytes/s", of=of)
        yield own.value("ceiling", item.ceiling_bytes_s, "bytes/s", of=of)
        yield own.value("share of the ceiling", item.share, "", of=of, limit=item.at_least)
    for link in found.links:
        own = _at(row, link.place_id, link.title)
        for finding in link.errors:
            yield own.value(f"{finding.severity} errors", finding.events, "errors", of=finding.direction)
        yield own.value("hottest", link.hottest_c, "C", limit=turn.step.hottest_c)
        for state, seconds in link.seconds_in.items():
            yield own.value("time in a state", seconds, "s", of=state)
    for sample in whole:
        if isinstance(sample, Sample | Thinned):
            for place in sample.links:
                yield from _sample(sample, place, _at(row, place, links.get(place, "")))


def _sample(sample: Sample | Thinned, place: str, row: _Row) -> Iterator[Measured]:
    """What one sample read; of samples that were thinned, the mean."""
    of = f"at {sample.t:.3f} s" if isinstance(sample, Sample) else f"from {sample.t:.3f} to {sample.until:.3f} s, mean"
    for index, name in enumerate(LinkSample.__struct_fields__):
        if isinstance(sample, Thinned):
            spread = sample.links[place][index]
            value = None if spread is None else spread.mean
        else:
            value = getattr(sample.links[place], name)
        quantity, unit = _SAMPLED[name]
        if value is not None:
            yield row.value(quantity, value, unit, of=of)
