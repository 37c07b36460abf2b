"""A built tree: files and links by path below the file system root, and named ways to damage it."""

import random
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from probe import kernel_spellings as kernel
from probe.evidence import Unread, Why
from probe.host.source import MemorySource


@dataclass(frozen=True, slots=True)
class Tree:
    """Files by path (`sys/...`, `proc/...`, `dev/kmsg`), links by path, and paths whose reading fails."""

    files: Mapping[str, bytes]
    links: Mapping[str, str]
    failures: Mapping[str, Unread] = field(default_factory=dict)
    label: str = "made-up machine"

    def source(self) -> MemorySource:
        """The tree as a source of evidence, in memory."""
        return MemorySource(self.files, self.links, self.label, self.failures)

    def write(self, root: Path) -> Path:
        """Write the tree as files under `root`; gives the path of its `sys`."""
        for path, content in self.files.items():
            target = root / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)
        for path, link in self.links.items():
            target = root / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.symlink_to(link)
        return root / "sys"

    def _place(self, address: str) -> str:
        for path in self.files:
            if path.endswith(f"/{address}/class"):
                return path.removesuffix("/class")
        raise KeyError(address)

    def with_file(self, path: str, content: bytes | None) -> "Tree":
        """One file with other content, or taken away."""
        files = dict(self.files)
        files.pop(path, None)
        if content is not None:
            files[path] = content
        return replace(self, files=files)

    def with_attribute(self, address: str, name: str, text: str | None) -> "Tree":
        """One attribute of a function with other text, or taken away."""
        content = None if text is None else f"{text}\n".encode()
        return self.with_file(f"{self._place(address)}/{name}", content)

    def with_bytes(self, address: str, offset: int, data: bytes) -> "Tree":
        """Bytes of a function's config space overwritten."""
        path = f"{self._place(address)}/config"
        config = bytearray(self.files[path])
        config[offset : offset + len(data)] = data
        return self.with_file(path, bytes(config))

    def silent(self, address: str) -> "Tree":
        """A function that no longer answers: every byte of its config space reads ff."""
        path = f"{self._place(address)}/config"
        changed = self.with_file(path, b"\xff" * len(self.files[path]))
        for name, text in ((kernel.CURRENT_LINK_SPEED, kernel.NO_SPEED), (kernel.CURRENT_LINK_WIDTH, "63")):
            changed = changed.with_attribute(address, name, text)
        return changed

    def failing(self, address: str, name: str, why: Why = Why.GONE) -> "Tree":
        """Reading one file of a function fails."""
        path = f"{self._place(address)}/{name}"
        return replace(self, failures={**self.failures, path: Unread(path, why, "No such device")})

    def unprivileged(self) -> "Tree":
        """As a user without CAP_SYS_ADMIN sees it: 64 bytes of config, no SMBIOS table, no log."""
        files = {
            path: content[:64] if path.endswith("/config") else content
            for path, content in self.files.items()
            if path not in {"sys/firmware/dmi/tables/DMI", "dev/kmsg"}
        }
        return replace(self, files=files)

    def without_link_attributes(self) -> "Tree":
        """As a kernel before 4.13 shows it."""
        return replace(
            self, files={path: data for path, data in self.files.items() if not path.endswith(kernel.LINK_FILES)}
        )

    def shuffled(self, order: random.Random) -> "Tree":
        """The same files in another order."""
        files = list(self.files.items())
        links = list(self.links.items())
        order.shuffle(files)
        order.shuffle(links)
        return replace(self, files=dict(files), links=dict(links))
