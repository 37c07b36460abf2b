"""Which links a person's words mean."""

from collections.abc import Callable

import pytest

from fake_sysfs import Machine, Tree, card, machine, root_port
from fake_sysfs.demonstration import correlator
from probe.audit.choosing import chosen
from probe.audit.document import AuditDocument
from probe.exceptions import InputError

Judge = Callable[[Machine | Tree], AuditDocument]
DRIVE, ADAPTER = 0x010802, 0x020000
DESCRIBED = machine(
    root_port("0000:00:01.0", "8 GT/s x4", slot=7).holds(card("8 GT/s x4", class_code=DRIVE)),
    root_port("0000:00:02.0", "8 GT/s x8", slot=12).holds(card("8 GT/s x8", class_code=ADAPTER).also()),
    root_port("0000:00:03.0", "8 GT/s x8", slot=13),
)
DRIVES, ADAPTERS = "0000:00:01.0", "0000:00:02.0"


@pytest.mark.parametrize(
    ("words", "ports"),
    [
        ((), [DRIVES, ADAPTERS]),
        (("all",), [DRIVES, ADAPTERS]),
        (("0000:00:02.0",), [ADAPTERS]),
        (("0000:01:00.0",), [DRIVES]),
        (("0000:02:00.1",), [ADAPTERS]),
        (("7",), [DRIVES]),
        (("1*",), [ADAPTERS]),
        (("12", "7", "7"), [ADAPTERS, DRIVES]),
        (("0000:0[12]:00.0",), [DRIVES, ADAPTERS]),
    ],
)
def test_words_and_what_they_mean(judge: Judge, words: tuple[str, ...], ports: list[str]) -> None:
    assert [link.downstream_port for link in chosen(judge(DESCRIBED).links, words)] == ports


@pytest.mark.parametrize("word", ["0000:00:03.0", "13", "8", "0000:00:1f.0", ""])
def test_a_word_that_means_nothing_that_is_there(judge: Judge, word: str) -> None:
    with pytest.raises(InputError, match="names no link that holds something") as told:
        chosen(judge(DESCRIBED).links, [DRIVES, word])
    assert f"--link {word}" in str(told.value)


def test_a_kind_names_all_of_its_kind(judge: Judge) -> None:
    links = judge(DESCRIBED).links
    kind = links[0].component.names.kind if links[0].component else None
    assert kind is not None
    assert [link.downstream_port for link in chosen(links, [kind])] == [DRIVES]


@pytest.mark.parametrize(
    ("word", "told"),
    [("a1", "did you mean 'A1 upper riser'? give an address"), ("A", "something; give an address"), ("", "; give an")],
)
def test_the_beginning_of_a_name_is_asked_back(word: str, told: str, judge: Judge) -> None:
    with pytest.raises(InputError) as error:
        chosen(judge(correlator()).links, [word])
    assert told in str(error.value)
