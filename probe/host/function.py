"""Reading one function. The order is policy: what cannot wake the device first, config space last.

What would wake is told by `sleep`: the power state is looked at first, and a sleeping function is left asleep.
"""

from collections.abc import Callable, Mapping
from struct import Struct, pack, unpack_from

from probe import kernel_spellings as kernel
from probe.address import Address
from probe.evidence import FunctionEvidence, Names, Unread, Why
from probe.host.files import (
    ASPM,
    DEVICES,
    DRIVER,
    EVERYTHING,
    FROM_DRIVER,
    FROM_REGISTERS,
    LEFT_ASLEEP,
    LINK_FOLDER,
    POWER,
    QUIET,
    RUNTIME,
)
from probe.host.sleep import Sleep
from probe.host.source import Bytes, Source, spelled
from probe.registers.space import ALL_ONES, SPACE_END, survey

_PRIVILEGED_END = 64
_DWORD = Struct("<I")


class FunctionReader:
    """Reads one function of a source and gathers what failed on the way; `sleep` is that of the whole source."""

    def __init__(self, source: Source, address: str, sleep: Sleep, *, wake: bool) -> None:
        self._source = source
        self._sleep = sleep
        self._address = address
        self._wake = wake
        self._attributes: dict[str, str] = {}
        self._unread: list[Unread] = []

    def read(self) -> FunctionEvidence:
        """Everything needed of the function; what could not be read is in `unread`."""
        path = self._found()
        present = self._present(path)
        self._read_attributes(path, present)
        config, config_end = self._read_config(path, present)
        return FunctionEvidence(
            address=self._address,
            path=path[4:],
            attributes=self._attributes,
            config=config,
            config_end=config_end,
            driver=self._target(path, DRIVER, present),
            iommu_group=self._target(path, kernel.IOMMU_GROUP, present),
            physical_function=self._physical_function(path, present),
            place_names=self._place_names(path, present),
            names=Names(),
            unread=tuple(self._unread),
        )

    def _found(self) -> str:
        """Where its directory is: at the list itself, where the list's link cannot be followed by hand."""
        listed = f"{DEVICES}/{self._address}"
        path = self._source.target(listed)
        if isinstance(path, Unread):
            self._unread.append(path)
            return listed
        return path

    def _present(self, path: str) -> frozenset[str]:
        """What is in its directory; all that there could be, where that cannot be listed and some of it can be read."""
        entries = self._source.names(path)
        if not isinstance(entries, Unread):
            return frozenset(entries)
        self._unread.append(entries)
        answers = any(isinstance(text, str) for text in self._source.texts(path, kernel.NUMBER_FILES).values())
        return EVERYTHING if answers else frozenset()

    def _read_attributes(self, path: str, present: frozenset[str]) -> None:
        if "power" in present:
            self._take(path, RUNTIME)
        self._take(path, [name for name in POWER if name in present])
        self._take(path, [name for name in QUIET if name in present])
        if LINK_FOLDER in present:
            self._take(
                path, [f"{LINK_FOLDER}/{name}" for name in self._listed(f"{path}/{LINK_FOLDER}") if name in ASPM]
            )
        self._take_unless(self._sleep.stirs_driver, path, [name for name in FROM_DRIVER if name in present])
        self._take_unless(self._sleep.stirs_registers, path, [name for name in FROM_REGISTERS if name in present])

    def _take_unless(self, stirs: Callable[[str, Mapping[str, str]], bool], path: str, names: list[str]) -> None:
        if names and not self._wake and stirs(path, self._attributes):
            self._unread += [Unread(f"{path}/{name}", Why.ASLEEP, LEFT_ASLEEP) for name in names]
        else:
            self._take(path, names)

    def _take(self, path: str, names: list[str] | tuple[str, ...]) -> None:
        for name, content in self._source.texts(path, names).items():
            if isinstance(content, Unread):
                if content.why is not Why.ABSENT:
                    self._unread.append(content)
            elif name in kernel.NUMBER_FILES and kernel.number(content) is None:
                self._unread.append(Unread(f"{path}/{name}", Why.FAILED, f"no number: {content!r}"))
            else:
                self._attributes[name] = content

    def _listed(self, path: str) -> list[str]:
        entries = self._source.names(path)
        return [] if isinstance(entries, Unread) else entries

    def _target(self, path: str, link: str, present: frozenset[str]) -> str | None:
        if link not in present:
            return None
        target = self._source.target(f"{path}/{link}")
        return None if isinstance(target, Unread) else spelled(target.rsplit("/", 1)[-1])

    def _physical_function(self, path: str, present: frozenset[str]) -> str | None:
        """The physical function of a virtual one; what is no address is kept as unread."""
        target = self._target(path, kernel.PHYSICAL_FUNCTION, present)
        if target is None or Address.find(target) is not None:
            return target
        self._unread.append(Unread(f"{path}/{kernel.PHYSICAL_FUNCTION}", Why.FAILED, f"no address: {target!r}"))
        return None

    def _place_names(self, path: str, present: frozenset[str]) -> dict[str, str]:
        """Names of the place that other parts of the kernel give: sensors and lights."""
        found: dict[str, str] = {}
        if "hwmon" in present:
            for sensor in self._listed(f"{path}/hwmon"):
                label = self._source.text(f"{path}/hwmon/{sensor}/label")
                if isinstance(label, str) and label:
                    found[f"hwmon {spelled(sensor)}"] = label
        if "leds" in present:
            for light in self._listed(f"{path}/leds"):
                found[f"light {spelled(light)}"] = spelled(light)
        return found

    def _read_config(self, path: str, present: frozenset[str]) -> tuple[dict[str, str], int | None]:
        where = f"{path}/config"
        if "config" not in present:
            return {}, None
        asleep = kernel.sleeps(self._attributes) or self._sleep.stirs_registers(path, self._attributes)
        if asleep and not self._wake:
            self._unread.append(Unread(where, Why.ASLEEP, f"{LEFT_ASLEEP}; --wake reads it"))
            return {}, None
        opened = self._source.open(where)
        if isinstance(opened, Unread):
            self._unread.append(opened)
            return {}, None
        recorder = _Recorder(where, opened)
        try:
            survey(recorder.fetch, recorder.load)
        finally:
            opened.close()
        self._unread += recorder.failures()
        return recorder.runs(), recorder.end


class _Recorder:
    """Keeps every dword that was asked for, so that each is read from the hardware once."""

    def __init__(self, path: str, opened: Bytes) -> None:
        self._path = path
        self._bytes = opened
        self._words: dict[int, int] = {}
        self._fault: Unread | None = None
        self.end: int | None = None

    def fetch(self, offset: int) -> int | None:
        """The dword at an offset, read now unless it was read before."""
        word = self._words.get(offset)
        if word is None:
            self.load(offset, 4)
            word = self._words.get(offset)
        return word

    def load(self, offset: int, size: int) -> None:
        """Read a run of dwords."""
        if self._fault is not None or (self.end is not None and offset >= self.end) or offset >= SPACE_END:
            return
        size = min(size, SPACE_END - offset)
        data = self._bytes.read(offset, size)
        if isinstance(data, Unread):
            self._fault = data
            return
        if len(data) < size:
            self.end = offset + len(data) if data else self._end_before(offset)
        if size == _DWORD.size == len(data):
            self._words[offset] = _DWORD.unpack(data)[0]
            return
        count = len(data) // 4
        self._words.update(zip(range(offset, offset + 4 * count, 4), unpack_from(f"<{count}I", data), strict=True))

    def _end_before(self, offset: int) -> int:
        """Where the bytes end, when nothing came at `offset`: at 64 if the reader is not privileged."""
        at_limit = self._bytes.read(_PRIVILEGED_END, _DWORD.size) if offset > _PRIVILEGED_END else b""
        return _PRIVILEGED_END if not at_limit else offset

    def failures(self) -> list[Unread]:
        """What went wrong: an error, all ones, or fewer bytes than asked for."""
        if self._fault is not None:
            return [self._fault]
        if self._words.get(0) == ALL_ONES:
            return [Unread(self._path, Why.ALL_ONES, "every byte reads ff: nothing answers at this address")]
        if self.end is not None:
            return [Unread(self._path, Why.SHORT, f"ends at byte {self.end}{self._hint()}")]
        return []

    def _hint(self) -> str:
        return ", all that a reader without CAP_SYS_ADMIN is given" if self.end == _PRIVILEGED_END else ""

    def runs(self) -> dict[str, str]:
        """Runs of neighbouring dwords: hexadecimal offset to hexadecimal bytes."""
        runs: dict[str, str] = {}
        offsets = sorted(self._words)
        starts = [at for at in offsets if at - 4 not in self._words]
        ends = [at + 4 for at in offsets if at + 4 not in self._words]
        for start, end in zip(starts, ends, strict=True):
            words = [self._words[at] for at in range(start, end, 4)]
            runs[f"{start:03x}"] = pack(f"<{len(words)}I", *words).hex()
        return runs
