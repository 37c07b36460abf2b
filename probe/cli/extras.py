"""What is not installed, told as what to install: the modules that each extra of the package brings."""

from importlib.util import find_spec

from probe.exceptions import InputError

EXTRAS = {
    "altair": "page",
    "vl_convert": "page",
    "deltalake": "fleet",
    "duckdb": "fleet",
    "ibis": "fleet",
    "pyarrow": "fleet",
    "pandas": "spark",
    "pyspark": "spark",
    "cuda": "accelerator",
    "pynvml": "accelerator",
}
"""The first part of a module's name to the extra of pyproject.toml that brings it."""


PACKAGED = ("page", "fleet", "accelerator")
"""The extras that are packages of their own, each named linkprobe-EXTRA."""


def how_to_add(extra: str) -> str:
    """Where an extra comes from, however linkprobe itself was installed; its single file holds none."""
    by_pip = f"pip install linkprobe[{extra}]"
    return f"the package linkprobe-{extra}, or {by_pip}" if extra in PACKAGED else by_pip


def lacking(extra: str) -> list[str]:
    """The modules of an extra that are not installed."""
    return [name for name, brought_by in EXTRAS.items() if brought_by == extra and find_spec(name) is None]


def not_installed(error: ModuleNotFoundError) -> InputError | None:
    """What to install for a module that was not found; None where no extra brings it."""
    name = (error.name or "").partition(".")[0]
    extra = EXTRAS.get(name)
    if extra is None:
        return None
    what = "is needed for this and not installed"
    return InputError(what, where=name, remedy=f"add it: {how_to_add(extra)}")
