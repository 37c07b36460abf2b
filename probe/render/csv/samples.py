"""The samples of a soak as CSV, a row a sample and link; thinned ones are a span, with the least and most in it."""

from collections.abc import Iterable, Iterator, Mapping

from probe.audit.names import title
from probe.render.csv.table import table
from probe.soak.journal import Entry, LinkSample, Sample, Spread, Start, Thinned

_VALUES = LinkSample.__struct_fields__
_KINDS = Spread.__struct_fields__
_COLUMNS = ("t_s", "until_s", "samples", "place", "title", *(f"{value}_{kind}" for value in _VALUES for kind in _KINDS))
Row = dict[str, object]


def render(entries: Iterable[Entry]) -> str:
    """The text."""
    return table(_COLUMNS, _rows(entries))


def _rows(entries: Iterable[Entry]) -> Iterator[Row]:
    titles: dict[str, str] = {}
    for entry in entries:
        match entry:
            case Start(snapshot=snapshot):
                titles = {link.place_id: title(link) for link in snapshot.links}
            case Sample(t=t, links=links):
                for place_id, sample in links.items():
                    spreads = (_single(getattr(sample, value)) for value in _VALUES)
                    yield _when(t, t, 1) | _where(place_id, titles) | _cells(spreads)
            case Thinned(t=t, until=until, samples=samples, links=thinned):
                for place_id, found in thinned.items():
                    yield _when(t, until, samples) | _where(place_id, titles) | _cells(found)
            case _:
                pass


def _when(t: float, until: float, samples: int) -> Row:
    return {"t_s": t, "until_s": until, "samples": samples}


def _where(place_id: str, titles: Mapping[str, str]) -> Row:
    return {"place": place_id, "title": titles.get(place_id)}


def _single(value: float | None) -> Spread | None:
    return None if value is None else Spread(value, value, value)


def _cells(spreads: Iterable[Spread | None]) -> Row:
    """Nothing stands for what was not read."""
    return {
        f"{value}_{kind}": None if spread is None else getattr(spread, kind)
        for value, spread in zip(_VALUES, spreads, strict=True)
        for kind in _KINDS
    }
