"""Which module draws a document in a medium: the folder is the medium, the module is named here for the document.

Each module has one function `render(document, ...)`. Nothing is loaded until a document is drawn.
"""

from collections.abc import Callable
from enum import StrEnum
from importlib import import_module
from typing import Any

import msgspec

from probe.exceptions import InputError
from probe.foreign_text import made_plain


class Medium(StrEnum):
    """The folders of this room."""

    TERMINAL = "terminal"
    HTML = "html"
    CSV = "csv"
    JUNIT = "junit"
    MARKDOWN = "markdown"


MODULES: dict[str, str] = {
    "AuditDocument": "audit",
    "Explanation": "explanation",
    "DecodedFunction": "decoded",
    "Comparison": "comparison",
    "History": "history",
    "Record": "record",
    "Arithmetic": "arithmetic",
    "Ratio": "ratio",
    "Plan": "active_plan",
    "TrainingDocument": "training",
    "SpeedsDocument": "speeds",
    "MarginDocument": "margin",
    "PutBackDocument": "put_back",
    "Batch": "batch",
    "Whereabouts": "whereabouts",
    "Paths": "paths",
    "Preview": "preview",
    "RecordSummary": "qualification",
    "Verification": "verification",
}
"""The type of a document to the name of its module in each medium that has it."""


def renderer(document: msgspec.Struct, medium: Medium) -> Callable[..., Any]:
    """The `render` of a document in a medium, given it made plain. Raises InputError where it is not drawn there."""
    kind = MODULES[type(document).__name__]
    name = f"{__package__}.{medium}.{kind}"
    try:
        module = import_module(name)
    except ModuleNotFoundError as error:
        if error.name != name:
            raise
        what = f"is not made of this document ({kind})"
        raise InputError(what, where=medium.value, remedy="use --json, or another document") from error
    render: Callable[..., Any] = module.render

    def drawn(*given: Any, **drawing: Any) -> Any:  # noqa: ANN401 - what the document's renderer takes
        return render(*map(made_plain, given), **made_plain(drawing))

    return drawn


def draw(document: msgspec.Struct, **drawing: Any) -> None:  # noqa: ANN401 - what the document's renderer takes
    """Draw a document on this terminal or pipe."""
    screen = import_module(f"{__package__}.{Medium.TERMINAL}.console").console()
    renderer(document, Medium.TERMINAL)(document, screen, **drawing)
