"""Settings of the collector, from a TOML file that is checked before anything is done."""

import grp
from pathlib import Path
from typing import Annotated

import msgspec

from probe.documents.files import read_bytes
from probe.documents.rights import check_trusted
from probe.documents.toml import from_toml
from probe.errors.limits import Limit, Limits
from probe.exceptions import DocumentError, InputError

DEFAULT_FILE = Path("/etc/linkprobe/config.toml")
SETTINGS_BYTES = 1 << 20
_REMEDY = "correct it; packaging/config.toml is a commented example"
Positive = Annotated[float, msgspec.Meta(gt=0)]
Share = Annotated[float, msgspec.Meta(gt=0, lt=1)]


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a site may set. Sizes in megabytes (SI), times in days and seconds.

    `group` may read the spool too; without it only who collects may, since snapshots hold serial numbers, unless
    `redact` puts names in their place, by the key in `redaction_key` or by the user's own.
    """

    spool: str = "/var/lib/linkprobe/spool"
    group: str | None = None
    metrics: str | None = None
    openmetrics: bool = False
    keep_days: Positive = 30.0
    keep_megabytes: Positive = 200.0
    keep_free_share: Share = 0.05
    timeout_s: Positive = 60.0
    correctable_limit: str = "6/2h"
    data_limit: str = "3/168h"
    redact: bool = False
    redaction_key: str | None = None

    @property
    def limits(self) -> Limits:
        """The error limits. Raises InputError."""
        return Limits(Limit.parse(self.correctable_limit), Limit.parse(self.data_limit))

    @property
    def group_id(self) -> int | None:
        """The number of the group. Raises InputError for one that this host does not have."""
        if self.group is None:
            return None
        try:
            return grp.getgrnam(self.group).gr_gid
        except (KeyError, ValueError) as error:
            what = f"no such group ({self.group})"
            raise InputError(what, where="group", remedy="name one that getent group lists") from error


def read_settings(path: Path | None) -> Settings:
    """The settings of a file; the defaults where none was named or installed. Raises InputError, DocumentError."""
    if path is None and not DEFAULT_FILE.exists():
        return Settings()
    name = path or DEFAULT_FILE
    check_trusted(name)
    found = from_toml(read_bytes(str(name), SETTINGS_BYTES), str(name), Settings, _REMEDY)
    try:
        _ = found.limits, found.group_id
    except InputError as error:
        raise DocumentError(f"has a setting that is wrong ({error})", where=str(name), remedy=_REMEDY) from error
    return found
