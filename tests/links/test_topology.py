"""What is a link and what is not."""

from collections.abc import Callable

import pytest
from msgspec.structs import replace as with_fields

from fake_sysfs import Machine, Tree, card, machine, port, root_port, switch
from fake_sysfs.tree import Tree as BuiltTree
from probe.audit.audit import audit
from probe.audit.document import AuditDocument
from probe.evidence import Unread, Why
from probe.host.machine import read_machine
from probe.verdict.verdicts import Verdict

Judge = Callable[[Machine | Tree], AuditDocument]
STORE = card("8 GT/s x4")


def ends(document: AuditDocument) -> list[tuple[str | None, str | None]]:
    return [(link.downstream_port, link.upstream_port) for link in document.links]


def test_a_switch_has_no_link_inside(judge: Judge) -> None:
    described = machine(
        root_port("0000:00:01.0", "16 GT/s x16").holds(
            switch("16 GT/s x16", port("16 GT/s x8").holds(STORE), port("16 GT/s x8"))
        )
    )
    assert ends(judge(described)) == [
        ("0000:00:01.0", "0000:01:00.0"),
        ("0000:02:00.0", "0000:03:00.0"),
        ("0000:02:01.0", None),
    ]


def test_functions_of_one_component_share_one_link(judge: Judge) -> None:
    (link,) = judge(machine(root_port("0000:00:01.0", "8 GT/s x4").holds(STORE.also().also()))).links
    assert link.component is not None
    assert link.component.functions == ("0000:01:00.0", "0000:01:00.1", "0000:01:00.2")


def test_function_0_absent(judge: Judge) -> None:
    (link,) = judge(machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4", number=3)))).links
    assert (link.upstream_port, link.verdict) == ("0000:01:00.3", Verdict.FULL)


def test_virtual_functions_have_no_link(judge: Judge) -> None:
    document = judge(machine(root_port("0000:00:01.0", "8 GT/s x4").holds(card("8 GT/s x4", virtual_functions=20))))
    (link,) = document.links
    assert link.component is not None
    assert link.component.functions == ("0000:01:00.0",)


def test_integrated_and_conventional_functions_have_no_link(judge: Judge) -> None:
    described = Machine(
        on_root_bus=(
            ("0000:00:1f.0", card("2.5 GT/s x1", integrated=True)),
            ("0000:00:1e.0", card("2.5 GT/s x1", conventional=True)),
        )
    )
    assert judge(described).links == ()


@pytest.mark.parametrize("domain", ["0001", "10000", "abcdef01"])
def test_domains_of_any_width(domain: str, judge: Judge) -> None:
    (link,) = judge(machine(root_port(f"{domain}:e0:02.0", "8 GT/s x4").holds(STORE))).links
    assert ends(judge(machine(root_port(f"{domain}:e0:02.0", "8 GT/s x4").holds(STORE)))) == [
        (f"{domain}:e0:02.0", f"{domain}:e1:00.0")
    ]
    assert link.verdict is Verdict.FULL


def test_a_domain_below_a_device_of_another(judge: Judge) -> None:
    """A volume management device puts a domain of its own below itself: it is no port of that domain."""
    tree = machine(root_port("10000:00:02.0", "8 GT/s x4").holds(STORE)).build()
    inside = "sys/devices/pci0000:00/0000:00:0e.0/pci10000:00"
    files = {path.replace("sys/devices/pci10000:00", inside): data for path, data in tree.files.items()}
    links = {
        path: target.replace("devices/pci10000:00", inside.removeprefix("sys/")) for path, target in tree.links.items()
    }
    assert ends(judge(BuiltTree(files, links))) == [("10000:00:02.0", "10000:01:00.0")]


def flattened(tree: Tree) -> Tree:
    """As `cp -rL` leaves it: directories where links were, and no way up."""
    files = {}
    for path, data in tree.files.items():
        parts = path.split("/")
        owner = next((part for part in reversed(parts[:-1]) if part.count(":") == 2), None)
        if owner is None or not path.startswith("sys/devices"):
            files[path] = data
        else:
            files[f"sys/bus/pci/devices/{owner}/{path.split(owner + '/')[-1]}"] = data
    return BuiltTree(files, {})


def test_a_copy_without_links_is_judged_by_bus_numbers(judge: Judge) -> None:
    described = machine(
        root_port("0000:00:01.0", "16 GT/s x16").holds(switch("16 GT/s x16", port("16 GT/s x8").holds(STORE)))
    )
    whole, flat = judge(described), judge(flattened(described.build()))
    assert ends(flat) == ends(whole)
    assert [link.verdict for link in flat.links] == [link.verdict for link in whole.links]


def test_the_narrowest_link_has_the_least_product(judge: Judge) -> None:
    """Kernel commit 9e506a7b5147: 16 GT/s x1 with 2.5 GT/s x16 on one path is 1,969 MB/s, not 250."""
    described = machine(
        root_port("0000:00:01.0", "16 GT/s x16").holds(
            switch("16 GT/s x16", port("16 GT/s x1").holds(card("16 GT/s x1")), trained="2.5 GT/s x16")
        )
    )
    leaf = judge(described).links[-1]
    narrowest = next(step for step in leaf.path if step.narrowest)
    assert narrowest.upstream_port == "0000:03:00.0"
    assert narrowest.bytes_s == 1_969_230_769


def test_a_tie_goes_to_the_root(judge: Judge) -> None:
    described = machine(
        root_port("0000:00:01.0", "8 GT/s x4").holds(switch("8 GT/s x4", port("8 GT/s x4").holds(STORE)))
    )
    assert judge(described).links[-1].path[0].narrowest


def test_oversubscription(judge: Judge) -> None:
    bays = [port("8 GT/s x4").holds(STORE) for _ in range(4)]
    uplink = judge(machine(root_port("0000:00:01.0", "8 GT/s x8").holds(switch("8 GT/s x8", *bays)))).links[0]
    assert uplink.oversubscription == 2.0


def test_payload_in_force_is_the_least_on_the_path(judge: Judge) -> None:
    described = machine(root_port("0000:00:01.0", "8 GT/s x4", payload=128).holds(card("8 GT/s x4", payload=512)))
    assert judge(described).links[0].bandwidth.max_payload_size == 128


def test_a_missing_sibling_port_is_told(judge: Judge) -> None:
    ports = [root_port(f"000{bus}:00:0{device}.0", "8 GT/s x4") for bus in range(4) for device in (1, 2, 3)]
    without = [item for item in ports if item.address != "0002:00:03.0"]
    assert judge(machine(*ports)).observations == ()
    (note,) = judge(machine(*without)).observations
    assert note.subject == "0002:00:03.0"


def test_corrected_errors_in_flit_mode_are_told_as_normal(judge: Judge) -> None:
    counted = card("64 GT/s x4", counters={"correctable": {"Receiver Error": 9}})
    (note,) = judge(machine(root_port("0000:00:01.0", "64 GT/s x4").holds(counted))).observations
    assert "normal" in note.meaning


@pytest.mark.parametrize("listed_unread", [False, True], ids=["file read", "file not read"])
def test_a_port_is_one_by_the_kernels_files_where_its_class_was_not_read(*, listed_unread: bool) -> None:
    """Linux, drivers/pci/pci-sysfs.c: `secondary_bus_number` is there for bridges alone."""
    evidence = read_machine(machine(root_port("0000:00:01.0", "8 GT/s x4")).build().source())
    (function,) = evidence.functions
    lost = {"class", *(("secondary_bus_number",) if listed_unread else ())}
    dim = with_fields(
        function,
        attributes={name: text for name, text in function.attributes.items() if name not in lost},
        config={},
        unread=tuple(Unread(f"{function.path}/{name}", Why.FAILED) for name in (*sorted(lost), "config")),
    )
    assert ends(audit(with_fields(evidence, functions=(dim,)))) == [("0000:00:01.0", None)]
