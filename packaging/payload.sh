# Sourced by the scripts that build a package, after environment.sh: puts together what all of them carry.

version=$(sed -n 's/^__version__ = "\(.*\)"/\1/p' probe/__init__.py)
# Every time stamp in a package is that of the release, so that two builds are the same to the byte.
SOURCE_DATE_EPOCH=$(date -u -d "$(sed -n 's/^ -- .*>  //p' packaging/debian/changelog | head -1)" +%s)
export SOURCE_DATE_EPOCH
umask 022

need() { # PROGRAM PACKAGE: says what to install, and ends
    command -v "$1" >/dev/null || {
        echo "$0: $1 is needed and not here; install it (Debian: apt install $2)" >&2
        exit 64
    }
}

# payload OUT [PART...]: the program with the wheels of its parts in OUT/lib; with all parts the manual and the completions
# beside it, which tell of all of them.
# PAYLOAD=DIR takes one that was made before, where several packages are built of the same checkout.
payload() {
    out=$1
    shift
    environment "[build]"
    if [ -n "${PAYLOAD:-}" ]; then
        cp -r "$PAYLOAD" "$out"
        return
    fi
    rm -rf "$out"
    mkdir -p "$out/bin" "$out/completions" "$out/wheel"
    .venv/bin/python packaging/wheels.py unpack "$out/lib" "$@"
    .venv/bin/python -m pip --disable-pip-version-check wheel --quiet --no-deps --no-build-isolation \
        --wheel-dir "$out/wheel" .
    .venv/bin/python -m zipfile -e "$out"/wheel/linkprobe-*.whl "$out/lib/base"
    rm -r "$out/wheel" "$out"/lib/base/linkprobe-*.dist-info/RECORD
    cp packaging/program/launch.py "$out/lib/"
    cp packaging/program/linkprobe "$out/bin/"
    [ $# -eq 0 ] || return 0
    PYTHONPATH=$(echo "$out"/lib/fleet-*) .venv/bin/python packaging/man "$out/man"
    for shell in bash zsh fish; do
        .venv/bin/linkprobe completion "$shell" >"$out/completions/linkprobe.$shell"
    done
}
