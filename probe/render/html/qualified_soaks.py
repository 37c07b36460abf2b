"""Errors against temperature and time of each soak, as tables: all links together, then those that had any."""

from collections.abc import Callable, Iterator, Sequence

from probe.qualify.document import Judged
from probe.qualify.error_bands import ErrorBand
from probe.render.html.page import Section
from probe.render.units import duration

Words = Callable[[ErrorBand], str]


def soak_sections(judged: Judged) -> Iterator[Section]:
    """Two sections a soak."""
    titles = {link.place_id: link.title for link in judged.links} | {"": "all links together"}
    for soak in judged.bands:
        yield _section(f"Errors against temperature, {soak.name}", soak.by_temperature, titles, _degrees)
        yield _section(f"Errors against time, {soak.name}", soak.by_time, titles, _hours)


def _section(title: str, bands: Sequence[ErrorBand], titles: dict[str, str], words: Words) -> Section:
    erring = {band.place_id for band in bands if band.correctable or band.uncorrectable}
    rows = tuple(
        (
            titles.get(band.place_id, band.place_id),
            words(band),
            duration(band.seconds),
            str(band.correctable),
            str(band.uncorrectable),
            "" if band.per_hour_below is None else f"{band.per_hour_below:.2g}",
        )
        for band in bands
        if not band.place_id or band.place_id in erring
    )
    columns = ("link", "band", "time", "correctable", "uncorrectable", "an hour, below (95 %)")
    texts = () if erring else ("No link counted an error.",)
    return Section(title=title, texts=texts, columns=columns, rows=rows)


def _degrees(band: ErrorBand) -> str:
    return "not read" if band.least is None else f"{band.least:g} to {band.most:g} C"


def _hours(band: ErrorBand) -> str:
    return f"{duration(band.least or 0.0)} to {duration(band.most or 0.0)}"
