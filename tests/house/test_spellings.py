"""The kernel's spellings, and the pattern of an address, stand once."""

from probe import kernel_spellings
from probe.kernel_spellings import POWER_STATES
from tests.house.tree import modules, strings

MAY = {"probe.kernel_spellings", "probe.errors.log_events"}


def spellings() -> set[str]:
    """What the kernel's file defines, less the words that are plain English or the specification's too."""
    values = [value for name, value in vars(kernel_spellings).items() if name.isupper()]
    found: set[str] = set()
    for value in values:
        items = (
            value.values() if isinstance(value, dict) else value if isinstance(value, tuple | frozenset) else [value]
        )
        found |= {item for item in items if isinstance(item, str)}
    return {text for text in found if not text.isalpha() and len(text) > 1 and " " not in text} - POWER_STATES


def test_the_kernels_spellings_stand_in_one_file() -> None:
    table = spellings()
    assert {"max_link_speed", "aer_dev_fatal", "power/runtime_status"} <= table
    found = [
        f"{module.at(node)} says {node.value!r}"
        for module in modules()
        if module.name not in MAY
        for node in strings(module)
        if node.value in table
    ]
    assert not found, "\n" + "\n".join(found)


def test_the_pattern_of_an_address_stands_once() -> None:
    part = "[01][0-9a-f]"
    assert {module.name for module in modules() for node in strings(module) if part in str(node.value)} == {
        "probe.address"
    }
