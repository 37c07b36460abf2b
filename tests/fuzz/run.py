"""Whatever the bytes, every reader ends in a result or an error of ours: a search for bytes that say otherwise.

`python -m tests.fuzz.run [--seconds N] [READER...]` searches so long for each, guided by the code that is reached. What
is worth keeping lies in .fuzz/READER afterwards, and what broke a reader as .fuzz/READER-found-*: mend it, then copy it
to tests/fuzz/corpus/READER under a name that says what it is.
"""

import argparse
import subprocess
import sys
from pathlib import Path

from tests.fuzz.targets import TARGETS

_TOP = Path(__file__).parents[2]
_WORK = _TOP / ".fuzz"
_MEMORY_MB = 1536
_SECONDS_AN_INPUT = 30


def search(name: str, seconds: int) -> bool:
    """Search one reader. Whether nothing was found."""
    found, before = _WORK / name, set(_WORK.glob(f"{name}-found-*"))
    found.mkdir(parents=True, exist_ok=True)
    kept = TARGETS[name].kept[0].parent
    ran = subprocess.run(
        [
            sys.executable, "-m", "tests.fuzz.guided", name, str(found), str(found), str(kept),
            f"-max_total_time={seconds}", f"-rss_limit_mb={_MEMORY_MB}", f"-timeout={_SECONDS_AN_INPUT}",
            "-print_final_stats=1", "-verbosity=0", f"-artifact_prefix={found}-found-",
        ],
        cwd=_TOP, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
    )  # fmt: skip
    (_WORK / f"{name}.txt").write_text(ran.stdout)
    tried = next((line.split()[-1] for line in ran.stdout.splitlines() if "number_of_executed_units" in line), "?")
    new = sorted(set(_WORK.glob(f"{name}-found-*")) - before)
    clean = ran.returncode == 0 and not new
    broke = ", ".join(str(path.relative_to(_TOP)) for path in new) or f"status {ran.returncode}, see .fuzz/{name}.txt"
    print(f"{name}: {tried} inputs, {'nothing found' if clean else broke}", flush=True)
    return clean


def main() -> None:
    """Search each reader for a time, one after the other; status 1 where something was found."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--seconds", type=int, default=300, help="for each reader")
    asked.add_argument("readers", nargs="*", metavar="READER", help=", ".join(TARGETS))
    given = asked.parse_args()
    clean = [search(name, given.seconds) for name in given.readers or TARGETS]
    sys.exit(0 if all(clean) else 1)


if __name__ == "__main__":
    main()
