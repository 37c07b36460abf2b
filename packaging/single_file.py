"""linkprobe.pyz: the base of a payload as one file that Python runs, by shiv.

    single_file.py PAYLOAD OUT        writes OUT

shiv packs and unpacks; our own first module looks whether this Python and this machine will do, and where to unpack.
"""

import os
import platform
import sys
import time
import zipfile
from pathlib import Path

from shiv import __version__ as shiv_version
from shiv.bootstrap.environment import Environment
from shiv.builder import create_archive
from shiv.constants import BUILD_AT_TIMESTAMP_FORMAT

COMPILED = "lib/base/msgspec/_core.cpython-3*.so"
START = Path(__file__).parent / "program/start.py"


def main(payload: Path, out: Path) -> None:
    """Write the file. SOURCE_DATE_EPOCH is the time of everything in it, so that two builds are the same."""
    moment = time.gmtime(int(os.environ["SOURCE_DATE_EPOCH"]))
    environment = Environment(
        built_at=time.strftime(BUILD_AT_TIMESTAMP_FORMAT, moment),
        shiv_version=shiv_version,
        entry_point="probe.cli.main:main",
        compile_pyc=False,  # Python keeps what it compiles; all at once would make the first run slow
        reproducible=True,
    )
    create_archive([payload / "lib/base"], out, "/usr/bin/env python3", "start:start", environment)
    pythons = sorted(int(path.name.partition("cpython-3")[2].partition("-")[0]) for path in payload.glob(COMPILED))
    words = {"@PYTHONS@": " ".join(f"3.{minor}" for minor in pythons), "@MACHINE@": platform.machine()}
    text = START.read_text()
    for name, word in words.items():
        text = text.replace(name, word)
    with zipfile.ZipFile(out, "a", compression=zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("start.py", moment[:6]), text, compress_type=zipfile.ZIP_DEFLATED)


if __name__ == "__main__":
    match sys.argv[1:]:
        case [given, wanted]:
            main(Path(given), Path(wanted))
        case _:
            sys.exit(__doc__)
