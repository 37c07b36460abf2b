"""Strategies: described machines and link states, for the laws."""

from hypothesis import strategies as st

from fake_sysfs import Component, Machine, Port, card, machine, port, root_port, switch

SPEEDS = (2.5, 5.0, 8.0, 16.0, 32.0, 64.0, 128.0)
WIDTHS = (1, 2, 4, 8, 12, 16, 32)

states = st.builds(lambda s, w: f"{s:g} GT/s x{w}", st.sampled_from(SPEEDS), st.sampled_from(WIDTHS))


@st.composite
def cards(draw: st.DrawFn) -> Component:
    best = draw(states)
    trained = draw(st.none() | states)
    return card(
        best,
        trained=trained,
        class_code=draw(st.sampled_from((0x010802, 0x020000, 0x030000, 0x120000))),
        vendor=draw(st.sampled_from((0x1234, 0x8086, 0x1022))),
        power_state=draw(st.sampled_from(("D0", "D0", "D3hot"))),
        payload=draw(st.sampled_from((128, 256, 512))),
        serial=draw(st.none() | st.integers(1, 2**64 - 1)),
        version=draw(st.sampled_from((1, 2, 2))),
    )


@st.composite
def components(draw: st.DrawFn) -> Component:
    if draw(st.integers(0, 3)):
        return draw(cards())
    inner = [draw(ports()) for _ in range(draw(st.integers(1, 3)))]
    return switch(draw(states), *inner)


@st.composite
def ports(draw: st.DrawFn) -> Port:
    made = port(
        draw(states), slot=draw(st.none() | st.integers(1, 40)), target_gts=draw(st.none() | st.sampled_from(SPEEDS))
    )
    return made.holds(draw(cards())) if draw(st.booleans()) else made


@st.composite
def machines(draw: st.DrawFn) -> Machine:
    count = draw(st.integers(1, 4))
    made = []
    for number in range(1, count + 1):
        empty = root_port(f"0000:00:{number:02x}.0", draw(states), slot=draw(st.none() | st.integers(1, 40)))
        made.append(empty.holds(draw(components())) if draw(st.booleans()) else empty)
    return machine(*made)
