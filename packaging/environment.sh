# Sourced by run and check: finds a Python, and keeps an environment with the locked versions in .venv.
set -eu
top=$(CDPATH= cd -- "$(dirname -- "$0")/.." && pwd)
cd "$top"

find_python() {
    for name in "${PYTHON:-python3}" python3.13 python3.12 python3.11 python3.14; do
        if command -v "$name" >/dev/null 2>&1 &&
            "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$name"
            return
        fi
    done
    echo "linkprobe needs Python 3.11 or later; install it, or name it: PYTHON=/path/to/python3 $0" >&2
    return 64
}

# environment EXTRA: makes .venv hold the project with this extra, unless it already does for this lock. [check] holds all.
environment() {
    lock=$(cat requirements.lock pyproject.toml | cksum)
    case $(cat .venv/holds 2>/dev/null) in
    "$1 $lock" | "[check] $lock") return ;;
    esac
    python=$(find_python)
    [ -x .venv/bin/python ] || "$python" -m venv .venv
    echo "preparing .venv (first use)" >&2
    export PIP_DISABLE_PIP_VERSION_CHECK=1
    .venv/bin/python -m pip install --quiet --constraint requirements.lock hatchling editables setuptools wheel
    .venv/bin/python -m pip install --quiet --constraint requirements.lock --no-build-isolation --editable ".$1"
    echo "$1 $lock" > .venv/holds
}
