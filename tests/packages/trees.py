"""Trees of Debian releases, in which programs run as on a host of it.

They come from the mirror that apt uses here. Where that does not answer nothing can be shown of our packages, and it is
told as that. Mounts are made in a namespace of each command, so that whatever ends it leaves none behind.
"""

import hashlib
import re
import shutil
import subprocess
import urllib.request
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.once import made_once

CACHE = Path(__file__).parents[2] / ".packages"
SUITES = {"bookworm": "3.11", "trixie": "3.13"}
"""The release before stable and stable itself, and the Python of each."""
INCLUDED = {
    "bookworm": "python3,man-db,bash-completion,systemd,systemd-sysv,rsync,openssh-server,libnss-systemd",
    "trixie": "python3,python3-venv,man-db,bash-completion",
}
"""What each tree has beside the least: the older one what a host of a fleet has, stable what a checkout needs."""
_TRIES = 3
_OF_PACKAGE_TOOLS = (
    "/var/lib/dpkg", "/var/lib/apt", "/var/log", "/var/cache", "/var/lib/systemd/deb-systemd-helper", "/srv", "/root",
    "/proc",
)  # fmt: skip
_ENTER = """
root=$1 bound=$2
shift 2
mount -t proc proc "$root/proc"
for place in $bound; do
    mkdir -p "$root$place"
    mount --bind "$place" "$root$place"
done
exec chroot "$root" "$@"
"""


class Tree:
    """One tree. `bound` are directories of this host that commands in it see."""

    def __init__(self, root: Path, bound: tuple[str, ...] = ()) -> None:
        self.root = root
        self._bound = bound

    def run(self, *command: object, status: int = 0, more: Mapping[str, str] | None = None) -> str:
        """What a command prints, on both streams; its status has to be this one."""
        environment = {"PATH": "/usr/sbin:/usr/bin:/sbin:/bin", "HOME": "/root", "LC_ALL": "C.UTF-8", **(more or {})}
        done = subprocess.run(
            ["unshare", "--mount", "sh", "-euc", _ENTER, "sh", self.root, " ".join(self._bound), *map(str, command)],
            env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
            check=False,
        )  # fmt: skip
        assert done.returncode == status, f"{command} ended with {done.returncode}:\n{done.stdout}"
        return done.stdout

    def take(self, path: Path, name: str = "") -> str:
        """Put a file into the tree; gives its path there."""
        shutil.copy(path, self.root / "srv" / (name or path.name))
        return f"/srv/{name or path.name}"

    def files(self) -> set[str]:
        """Every path of the tree, less what package tools keep for themselves."""
        listed = subprocess.run(
            ["find", ".", "-xdev", "-printf", "/%P\\n"], cwd=self.root, capture_output=True, text=True, check=True
        ).stdout
        return {path for path in listed.splitlines() if not path.startswith(_OF_PACKAGE_TOOLS)}


@contextmanager
def fresh(suite: str, folder: Path, bound: tuple[str, ...] = ()) -> Iterator[Tree]:
    """A fresh copy of a release's tree, for as long as it is needed: a session makes many, of 300 MB each."""
    recipe = hashlib.sha256(INCLUDED[suite].encode()).hexdigest()[:8]
    base = made_once(CACHE / f"{suite}-{recipe}", lambda into: _bootstrap(suite, into))
    subprocess.run(["cp", "-a", "--reflink=auto", base, folder / suite], check=True)
    try:
        yield Tree(folder / suite, bound)
    finally:
        shutil.rmtree(folder / suite)


def _bootstrap(suite: str, into: Path) -> None:
    """Make a tree; a mirror that does not answer fails too, and is told for what it is."""
    site, proxy = _mirror()
    command = ["unshare", "--mount", "debootstrap", "--variant=minbase", f"--include={INCLUDED[suite]}", suite]
    for _ in range(_TRIES):
        shutil.rmtree(into, ignore_errors=True)
        done = subprocess.run(
            ["env", *(f"{name}={value}" for name, value in proxy.items()), *command, into, site],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode == 0:
            return
    told = done.stdout[-3000:] + done.stderr
    if unanswered := _unanswered(site, suite, proxy):
        pytest.fail(f"not tried: the Debian mirror {site} does not answer ({unanswered}); debootstrap: {told[-300:]}")
    raise AssertionError(f"debootstrap of {suite} failed, though {site} answers:\n{told}")


def _mirror() -> tuple[str, dict[str, str]]:
    """Where apt takes Debian from here, and the proxy it goes through."""
    target = [
        "apt-get",
        "indextargets",
        "--format",
        "$(SITE)",
        "Created-By: Packages",
        "Origin: Debian",
        "Label: Debian",
    ]
    sites = subprocess.run(target, capture_output=True, text=True, check=False).stdout.split()
    words = ["apt-config", "shell", "http_proxy", "Acquire::http::Proxy", "https_proxy", "Acquire::https::Proxy"]
    proxies = subprocess.run(words, capture_output=True, text=True, check=False).stdout
    site = sites[0] if sites else "http://deb.debian.org/debian"
    return site, dict(re.findall(r"^(\w+)='(.*)'$", proxies, re.MULTILINE))


def _unanswered(site: str, suite: str, proxy: Mapping[str, str]) -> str:
    """Why the mirror's first file cannot be had; nothing where it can."""
    through = {name.removesuffix("_proxy"): value for name, value in proxy.items()}
    opener = urllib.request.build_opener(urllib.request.ProxyHandler(through or None))
    try:
        with opener.open(f"{site}/dists/{suite}/InRelease", timeout=60) as answer:
            answer.read()
    except OSError as error:
        return str(error)
    return ""
