"""A question put to a store: an answer also where a part of it is damaged, with what was left out."""

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
import pyarrow as pa

from probe.exceptions import LinkprobeError
from probe.fleet.engine import DEFAULT, Tables, damaged_parts, opened
from probe.fleet.questions import whereabouts as places
from probe.fleet.table import Store
from probe.fleet.whereabouts import OfComponent

Question = Callable[[Tables], Any]
"""An Ibis expression over a store's rows."""


class Answers(msgspec.Struct, frozen=True):
    """The answers in the order of the questions, and the damaged parts that they do without."""

    tables: tuple[pa.Table, ...]
    left_out: tuple[str, ...] = ()


def answers(store: Store, *questions: Question, engine: str = DEFAULT) -> Answers:
    """Put questions to a store. Raises LinkprobeError as `opened` does."""
    try:
        return Answers(_put(store, questions, engine, frozenset()))
    except LinkprobeError:
        raise
    except Exception:  # noqa: BLE001 - whatever an engine raises for a file that it cannot read
        left_out = frozenset(damaged_parts(store))
        return Answers(_put(store, questions, engine, left_out), tuple(sorted(left_out)))


def rows_of_component(store: Store, serial: str, engine: str = DEFAULT) -> tuple[OfComponent, tuple[str, ...]]:
    """The rows that tell of one component, and the damaged parts left out. Raises LinkprobeError as `opened` does."""
    asked = (places.hosts, places.occupants, places.links, places.rises, places.results)
    answer = answers(store, *(partial(question, serial=serial) for question in asked), engine=engine)
    rows = (table.to_pylist() for table in answer.tables)
    found = msgspec.convert(dict(zip(OfComponent.__struct_fields__, rows, strict=True)), OfComponent)
    return found, answer.left_out


def _put(store: Store, questions: tuple[Question, ...], engine: str, without: frozenset[str]) -> tuple[pa.Table, ...]:
    with opened(store, engine, without=without) as tables:
        return tuple(question(tables).to_pyarrow() for question in questions)
