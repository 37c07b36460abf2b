"""A measured period: sampling, a journal that survives a crash, loads, and what the record says.

May live here: reading the few registers that change, driving loads, calculating over what was seen. May not: drawing.
"""
