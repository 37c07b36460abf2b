"""What is not installed, told as what to install: the modules that each extra of the package brings."""

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


def not_installed(error: ModuleNotFoundError) -> InputError | None:
    """What to install for a module that was not found; None where no extra brings it."""
    name = (error.name or "").partition(".")[0]
    extra = EXTRAS.get(name)
    if extra is None:
        return None
    what = "is needed for this and not installed"
    return InputError(what, where=name, remedy=f"pip install linkprobe[{extra}]")
