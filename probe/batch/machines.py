"""Which files are of which machine, what each machine is called, and whether all are of one model.

The order in which files are given changes nothing.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import StrEnum
from pathlib import PurePath

import msgspec

from probe.batch.contribution import Contribution
from probe.counted import counted
from probe.evidence import Host
from probe.exceptions import InputError
from probe.placeholders import is_stated

FEWEST, MOST = 2, 50


class By(StrEnum):
    """What files of one machine have in common."""

    HOST = "host"
    FILE = "file"
    FOLDER = "folder"


class Member(msgspec.Struct, frozen=True, kw_only=True):
    """One machine of a batch: what it is called, and its files' contributions from the oldest to the newest."""

    name: str
    parts: tuple[Contribution, ...]

    @property
    def host(self) -> Host:
        """Who it is, by the newest of its files that says most: one that holds its links before one that does not."""
        whole = [part for part in self.parts if part.links is not None]
        return (whole or self.parts)[-1].host


def members(parts: Sequence[Contribution], by: By, *, any_model: bool = False) -> tuple[Member, ...]:
    """The machines that these files are of, by name. Raises InputError where they are no batch."""
    unlike = {part.digest: part for part in sorted(parts, key=lambda part: part.file)}
    groups = _GROUPED[by](sorted(unlike.values(), key=lambda part: part.order))
    _check_count(groups, len(parts), by)
    if not any_model:
        _check_model(groups)
    names = _names(groups, by)
    found = [Member(name=name, parts=tuple(group)) for name, group in zip(names, groups, strict=True)]
    return tuple(sorted(found, key=lambda member: natural(member.name)))


def natural(name: str) -> tuple[tuple[int, str], ...]:
    """An order in which board-2 comes before board-10."""
    parts: list[tuple[int, str]] = []
    for letter in name:
        digit = letter.isdecimal()
        if digit and parts and parts[-1][1] == "":
            parts[-1] = (parts[-1][0] * 10 + int(letter), "")
        else:
            parts.append((int(letter), "") if digit else (-1, letter))
    return tuple(parts)


_Groups = list[list[Contribution]]


def _by_host(parts: Sequence[Contribution]) -> _Groups:
    """By serial numbers of the machine; where these were not read by machine id; where that was not either by name.

    A boot medium that goes from board to board carries its machine id along, so serial numbers come first.
    """
    groups: _Groups = []
    for number, read in enumerate(_IDENTITIES):
        mine = [
            part
            for part in parts
            if read(part.host) and not any(earlier(part.host) for earlier in _IDENTITIES[:number])
        ]
        known = {id(group): {read(part.host) for part in group} for group in groups}
        fresh: dict[str, list[Contribution]] = {}
        for part in mine:
            word = read(part.host)
            fits = [group for group in groups if word in known.get(id(group), ())]
            if len(fits) > 1:
                what = f"is of a machine that cannot be told from {len(fits)} others ({word})"
                remedy = "put the files of each machine into a folder of its own, and give --by folder"
                raise InputError(what, where=part.file, remedy=remedy)
            (fits[0] if fits else fresh.setdefault(word, [])).append(part)
        groups += fresh.values()
    groups += [[part] for part in parts if not any(read(part.host) for read in _IDENTITIES)]
    return [sorted(group, key=lambda part: part.order) for group in groups]


def _serials(host: Host) -> str:
    read = [host.firmware.get(name) for name in ("product_serial", "board_serial")]
    return " ".join(text for text in read if text is not None and is_stated(text))


_IDENTITIES: tuple[Callable[[Host], str], ...] = (
    _serials, lambda host: host.machine_id or "", lambda host: host.name or "",
)  # fmt: skip
"""From the surest on."""


def _by_file(parts: Sequence[Contribution]) -> _Groups:
    return [[part] for part in parts]


def _by_folder(parts: Sequence[Contribution]) -> _Groups:
    found: dict[PurePath, list[Contribution]] = defaultdict(list)
    for part in parts:
        found[PurePath(part.file).parent].append(part)
    return list(found.values())


_GROUPED: Mapping[By, Callable[[Sequence[Contribution]], _Groups]] = {
    By.HOST: _by_host, By.FILE: _by_file, By.FOLDER: _by_folder,
}  # fmt: skip


def _names(groups: _Groups, by: By) -> list[str]:
    """Each group's name, the shortest that tells them all apart."""
    for word in _WORDS[by]:
        names = [word(group) for group in groups]
        if all(count == 1 for count in Counter(names).values()):
            return names
    return [f"{group[0].file}" for group in groups]


def _host(group: Sequence[Contribution]) -> str:
    return next((part.host.name for part in reversed(group) if part.host.name), None) or _stem(group)


def _stem(group: Sequence[Contribution]) -> str:
    return PurePath(min(part.file for part in group)).name.partition(".")[0] or "machine"


def _folder(group: Sequence[Contribution]) -> str:
    return PurePath(group[0].file).parent.name


_WORDS: Mapping[By, tuple[Callable[[Sequence[Contribution]], str], ...]] = {
    By.HOST: (_host, lambda group: f"{_host(group)} ({_stem(group)})"),
    By.FILE: (_stem, lambda group: f"{_folder(group)}/{_stem(group)}"),
    By.FOLDER: (_folder, lambda group: str(PurePath(group[0].file).parent)),
}


def _check_count(groups: _Groups, files: int, by: By) -> None:
    count = len(groups)
    if count > MOST:
        remedy = "take the files into a store: linkprobe fleet ingest; linkprobe fleet outliers"
        raise InputError(f"a batch has {MOST} machines at most", where=f"{count} machines", remedy=remedy)
    if count < FEWEST:
        named = f"{counted(files, 'file')}, all of {_host(groups[0])}" if groups and files > 1 else f"{files} file"
        remedy = "give files of at least two machines"
        if by is By.HOST and files > 1:
            remedy += "; where one boot medium was used on all boards, give --by file or --by folder"
        raise InputError(f"a batch has {FEWEST} machines at least", where=named, remedy=remedy)


def _check_model(groups: _Groups) -> None:
    for read in (board_of, _product):
        models: dict[str, list[str]] = defaultdict(list)
        for group in groups:
            found = {read(part.host) for part in group} - {""}
            for model in found:
                models[model].append(min(part.file for part in group))
        if len(models) > 1:
            told = " and ".join(f"{model} ({_few(files)})" for model, files in sorted(models.items()))
            what = f"these are of different models: {told}"
            raise InputError(what, where="batch", remedy="give machines of one model, or --different-models")
        if models:
            return


def _few(files: Iterable[str]) -> str:
    listed = sorted(files)
    return listed[0] if len(listed) == 1 else f"{listed[0]} and {len(listed) - 1} more"


def board_of(host: Host) -> str:
    """The board's maker and name, empty where they were not read."""
    return _stated_words(host, "board_vendor", "board_name")


def _product(host: Host) -> str:
    return _stated_words(host, "sys_vendor", "product_name")


def model_of(found: Iterable[Member]) -> str | None:
    """What the machines are, by the first that says it."""
    said = [words for member in found for words in (board_of(member.host) or _product(member.host),) if words]
    return min(said, default=None)


def _stated_words(host: Host, vendor: str, name: str) -> str:
    """The maker's word alone names no model."""
    if not is_stated(host.firmware.get(name)):
        return ""
    words = (host.firmware.get(vendor), host.firmware.get(name))
    return " ".join(text for text in words if text is not None and is_stated(text))
