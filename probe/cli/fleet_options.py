"""What the commands of `fleet` share."""

from enum import StrEnum
from typing import Annotated

import typer


class Format(StrEnum):
    """How an answer is written."""

    TABLE = "table"
    JSON = "json"
    CSV = "csv"


StoreOption = Annotated[str, typer.Option("--store", metavar="PATH-OR-URL", help="A path, or s3://, gs://, abfs://.")]
EngineOption = Annotated[str, typer.Option("--engine", help="duckdb, spark (local), or spark://HOST:PORT.")]
FormatOption = Annotated[Format, typer.Option("--format", help="How the answer is written.")]
