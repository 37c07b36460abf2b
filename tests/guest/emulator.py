"""A real kernel in an emulated machine: Debian's kernel under QEMU, with this host's files as its root, or others.

Needs root, `apt-get download`, qemu-system-x86_64, busybox (static), kmod and cpio. The kernel is unpacked once, into
`.guest/` at the top of the checkout.
"""

import gzip
import hashlib
import os
import shutil
import subprocess
import tempfile
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.once import made_once

TOP = Path(__file__).parents[2]
CACHE = TOP / ".guest"
TIMEOUT_S = 1200
MODULES = (
    "virtio_pci", "9pnet_virtio", "9p", "overlay", "nvme", "e1000e", "aer_inject", "crc64_rocksoft_generic",
    "crct10dif_generic", "pcieaer", "ext4", "crc32c_generic", "raid1", "dm_mod",
)  # fmt: skip
NEEDED = ("qemu-system-x86_64", "busybox", "cpio", "depmod", "dpkg", "apt-get", "strace", "ip")

_INIT = """\
#!/bin/busybox sh
/bin/busybox mkdir -p /proc /sys /dev /lower /upper /root /out
/bin/busybox mount -t proc proc /proc
/bin/busybox mount -t sysfs sysfs /sys
/bin/busybox mount -t devtmpfs dev /dev
for module in {modules}; do /bin/busybox modprobe $module 2>/dev/null; done
M=trans=virtio,version=9p2000.L,msize=262144
/bin/busybox mount -t 9p -o ro,cache=loose,$M host /lower
/bin/busybox mount -t tmpfs tmpfs /upper
/bin/busybox mkdir -p /upper/upper /upper/work
/bin/busybox mount -t overlay -o lowerdir=/lower,upperdir=/upper/upper,workdir=/upper/work overlay /root
/bin/busybox mkdir -p /root/out
/bin/busybox mount -t 9p -o $M out /root/out
for place in proc sys dev; do /bin/busybox mount -o move /$place /root/$place; done
init=$(/bin/busybox sed -n 's/.*guest_init=\\([^ ]*\\).*/\\1/p' /root/proc/cmdline)
[ -n "$init" ] && exec /bin/busybox switch_root /root "$init"
/bin/busybox chroot /root /bin/sh /out/job > /root/out/log 2>&1
echo $? > /root/out/status
/bin/busybox sync
/bin/busybox poweroff -f
"""


@dataclass(frozen=True)
class Finished:
    """What a job left behind: its exit status, what it printed, and the folder it wrote to as /out."""

    status: int
    log: str
    out: Path


def missing() -> list[str]:
    """The programs that are needed and not here."""
    found = [name for name in NEEDED if shutil.which(name) is None]
    return found if os.geteuid() == 0 else [*found, "root"]


def _kernel() -> Path:
    """The unpacked kernel package: holds boot/ and lib/modules/."""
    return made_once(CACHE / "kernel", _unpack_kernel)


def _unpack_kernel(into: Path) -> None:
    listed = subprocess.run(
        ["apt-cache", "depends", "linux-image-amd64"], check=True, capture_output=True, text=True
    ).stdout
    package = next(line.split()[-1] for line in listed.splitlines() if "Depends: linux-image" in line)
    with tempfile.TemporaryDirectory(dir=CACHE) as folder:
        subprocess.run(["apt-get", "download", "-q", package], check=True, cwd=folder, capture_output=True)
        subprocess.run(["dpkg", "-x", next(Path(folder).glob("linux-image-*.deb")), into], check=True)
    version = next((into / "lib/modules").iterdir()).name
    subprocess.run(["depmod", "-b", into, version], check=True)


def _initramfs(tree: Path) -> Path:
    script = _INIT.format(modules=" ".join(MODULES))
    recipe = hashlib.sha256(script.encode()).hexdigest()[:8]
    return made_once(CACHE / f"initramfs-{recipe}.gz", lambda into: _pack_initramfs(tree, script, into))


def _pack_initramfs(tree: Path, script: str, image: Path) -> None:
    modules = next((tree / "lib/modules").iterdir())
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "bin").mkdir()
        shutil.copy(shutil.which("busybox") or "", root / "bin/busybox")
        (root / "bin/sh").symlink_to("busybox")
        target = root / "lib/modules" / modules.name
        target.mkdir(parents=True)
        for name in modules.glob("modules.*"):
            shutil.copy(name, target)
        for path in _with_dependencies(modules):
            (target / path).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(modules / path, target / path)
        (root / "init").write_text(script)
        (root / "init").chmod(0o755)
        names = subprocess.run(["find", "."], cwd=root, check=True, capture_output=True).stdout
        archive = subprocess.run(
            ["cpio", "-o", "-H", "newc", "--quiet"], cwd=root, input=names, check=True, capture_output=True
        )
    image.write_bytes(gzip.compress(archive.stdout, 1))


def _with_dependencies(modules: Path) -> set[str]:
    table = dict(line.split(":", 1) for line in (modules / "modules.dep").read_text().splitlines())
    by_name = {Path(path).stem.replace("-", "_"): path for path in table}
    wanted: set[str] = set()
    waiting = [by_name[name] for name in MODULES if name in by_name]
    while waiting:
        path = waiting.pop()
        if path not in wanted:
            wanted.add(path)
            waiting += table[path].split()
    return wanted


def command(devices: Sequence[str], out: Path, *, append: str = "", root: Path = Path("/")) -> list[str]:
    """The emulator's command line for these devices, with `out` as the guest's /out and `root` below its own root.

    On a busy host the emulated timer may be too late for the kernel's check of it, which would panic: no_timer_check
    (Documentation/admin-guide/kernel-parameters.txt).
    """
    tree = _kernel()
    return [
        "qemu-system-x86_64", "-M", "q35", "-accel", "tcg", "-cpu", "max", "-m", "2048", "-smp", "2",
        "-nodefaults", "-display", "none", "-serial", f"file:{out}/console", "-no-reboot",
        "-kernel", str(next((tree / "boot").glob("vmlinuz-*"))), "-initrd", str(_initramfs(tree)),
        "-append", f"console=ttyS0 quiet panic=-1 no_timer_check {append}",
        "-fsdev", f"local,id=host,path={root},security_model=none,readonly=on,multidevs=remap",
        "-device", "virtio-9p-pci,fsdev=host,mount_tag=host",
        "-fsdev", f"local,id=out,path={out},security_model=none,multidevs=remap",
        "-device", "virtio-9p-pci,fsdev=out,mount_tag=out",
        *devices,
    ]  # fmt: skip


def write_job(out: Path, job: str) -> None:
    """Put the job where the guest finds it."""
    out.mkdir(parents=True, exist_ok=True)
    head = f"export PATH={TOP}/.venv/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root PYTHONDONTWRITEBYTECODE=1\ncd {TOP}\n"
    (out / "job").write_text(head + textwrap.dedent(job))


def boot(devices: Sequence[str], job: str, out: Path, *, append: str = "") -> Finished:
    """Boot, run a shell job in the guest to its end, and give back what it left."""
    write_job(out, job)
    subprocess.run(command(devices, out, append=append), check=True, timeout=TIMEOUT_S, capture_output=True)
    return finished(out)


def finished(out: Path) -> Finished:
    """What a guest that has ended left in its /out."""
    status = out / "status"
    log = out / "log"
    if not status.exists():
        console = (out / "console").read_text(errors="replace")[-2000:]
        raise AssertionError(f"the guest ended without finishing its job: {console}")
    return Finished(int(status.read_text()), log.read_text() if log.exists() else "", out)
