"""Settings of the collector, from a TOML file that is checked before anything is done."""

import tomllib
from pathlib import Path
from typing import Annotated

import msgspec

from probe.errors.limits import Limit, Limits
from probe.exceptions import DocumentError, InputError

DEFAULT_FILE = Path("/etc/linkprobe/config.toml")
_REMEDY = "correct it; packaging/config.toml is a commented example"
Positive = Annotated[float, msgspec.Meta(gt=0)]
Share = Annotated[float, msgspec.Meta(gt=0, lt=1)]


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a site may set. Sizes in megabytes (SI), times in days and seconds."""

    spool: str = "/var/lib/linkprobe/spool"
    metrics: str | None = None
    openmetrics: bool = False
    keep_days: Positive = 30.0
    keep_megabytes: Positive = 200.0
    keep_free_share: Share = 0.05
    timeout_s: Positive = 60.0
    correctable_limit: str = "6/2h"
    data_limit: str = "3/168h"

    @property
    def limits(self) -> Limits:
        """The error limits. Raises InputError."""
        return Limits(Limit.parse(self.correctable_limit), Limit.parse(self.data_limit))


def read_settings(path: Path | None) -> Settings:
    """The settings of a file; the defaults where none was named or installed. Raises InputError, DocumentError."""
    if path is None and not DEFAULT_FILE.exists():
        return Settings()
    name = path or DEFAULT_FILE
    try:
        found = msgspec.convert(tomllib.loads(name.read_text()), Settings)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", where=str(name), remedy="check the name") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise DocumentError(f"is not TOML ({error})", where=str(name), remedy=_REMEDY) from error
    except msgspec.ValidationError as error:
        raise DocumentError(f"has a setting that is wrong ({error})", where=str(name), remedy=_REMEDY) from error
    try:
        _ = found.limits
    except InputError as error:
        raise DocumentError(f"has a limit that is wrong ({error})", where=str(name), remedy=_REMEDY) from error
    return found
