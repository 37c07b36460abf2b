"""What the bits mean: one declarative table a structure, one decoder for all tables.

May live here: tables in the words of the PCI Express Base Specification, and the pure functions that apply them.
May not: reading a machine, judging a link, wording for a screen.
"""
