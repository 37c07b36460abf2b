"""Lane margining at the receiver: how far the sampling point moves before errors come, each way, each lane.

May live here: the protocol, what its counts say, the document made of it, how lanes compare. May not: I/O, drawing.
Facts without another source: `active-tests` notes of the project, from the kernel patch "PCIe Lane Margining at
Receiver" (2026), the Efinix and Microchip guides; times and a few payloads are from memory of the specification.
"""
