"""Each soak of a qualification: what was carried, the course of each link, its errors by temperature and by time."""

from collections.abc import Callable, Iterator, Sequence

import msgspec

from probe.qualify.document import Judged
from probe.qualify.entries import Entry, SoakPart
from probe.qualify.error_bands import ErrorBand
from probe.qualify.soak_parts import stitched, watched
from probe.qualify.soaks_of import soaks_of
from probe.render.html.page import Section
from probe.render.html.record_course import over_time
from probe.render.html.record_results import carried, worst_first
from probe.render.units import duration
from probe.soak.record import record

Words = Callable[[ErrorBand], str]


def soak_sections(entries: Sequence[Entry], judged: Judged) -> Iterator[Section]:
    """What the page of a soak has of its course, then two tables: all links together, then those that had errors."""
    names = {step.number: step.name for step in judged.steps}
    for turn, parts in soaks_of(entries).items():
        for section in _course(parts):
            yield msgspec.structs.replace(section, title=f"{section.title}, {names.get(turn, '')}")
    titles = {link.place_id: link.title for link in judged.links} | {"": "all links together"}
    for soak in judged.bands:
        unknown = ", ".join(titles.get(place, place) for place in soak.uncounted)
        texts = (f"Errors of these links cannot be counted on this machine: {unknown}.",) if unknown else ()
        yield _section(f"Errors against temperature, {soak.name}", soak.by_temperature, titles, _degrees, texts)
        yield _section(f"Errors against time, {soak.name}", soak.by_time, titles, _hours, texts)


def _course(parts: Sequence[SoakPart]) -> Iterator[Section]:
    """Of all parts as one: the time between them is none of it."""
    whole = stitched(parts)
    found = record(whole)
    if found.throughput:
        yield carried(found)
    yield over_time(
        found, sorted(found.links, key=worst_first), whole, {link.place_id: link for link in watched(parts)}
    )


def _section(
    title: str, bands: Sequence[ErrorBand], titles: dict[str, str], words: Words, texts: tuple[str, ...]
) -> Section:
    erring = {band.place_id for band in bands if band.correctable or band.uncorrectable}
    rows = tuple(
        (
            titles.get(band.place_id, band.place_id),
            words(band),
            duration(band.seconds),
            str(band.correctable),
            str(band.uncorrectable),
            "" if band.per_hour_below is None else _rate(band.per_hour_below),
        )
        for band in bands
        if (not band.place_id or band.place_id in erring) and (band.seconds or band.correctable or band.uncorrectable)
    )
    columns = ("link", "band", "time", "correctable", "uncorrectable", "an hour, below (95 %)")
    none = ("No link counted an error.",) if bands and not erring else ()
    return Section(title=title, texts=(*texts, *none), columns=columns, rows=rows)


def _rate(per_hour: float) -> str:
    """In two digits, and no power of ten where there are more before the point."""
    return f"{per_hour:.2g}" if per_hour < 99.5 else f"{float(f'{per_hour:.2g}'):.0f}"  # noqa: PLR2004 - two digits


def _degrees(band: ErrorBand) -> str:
    return "not read" if band.least is None else f"{band.least:g} to {band.most:g} C"


def _hours(band: ErrorBand) -> str:
    return f"{duration(band.least or 0.0)} to {duration(band.most or 0.0)}"
