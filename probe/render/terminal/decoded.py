"""Decoded registers on a terminal."""

from rich.console import Console
from rich.text import Text

from probe.audit.decoding import DecodedFunction, DecodedRegister


def render(function: DecodedFunction, screen: Console) -> None:
    """Draw every register of one function."""
    screen.print()
    screen.print(Text(f"Registers of {function.address}", style="bold"))
    for fault in function.faults:
        screen.print(f"  {fault}")
    shown = ""
    for register in function.registers:
        if register.capability != shown:
            shown = register.capability
            screen.print(Text(f"\n  {shown}", style="bold"))
        _register(register, screen)
    for other in function.more:
        render(other, screen)


def _register(register: DecodedRegister, screen: Console) -> None:
    screen.print(Text.assemble(f"    {register.offset}  {register.name}  ", (register.raw, "dim")))
    if len(register.fields) == 1 and register.fields[0].name == register.name:
        return
    for field in register.fields:
        if field.value not in {"clear", "0", "0x0"}:
            screen.print(f"          {field.name}: {field.value}")
