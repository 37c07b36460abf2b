"""Two snapshots and more, compared: what changed, what the errors say, whether the machine is what it should be.

May live here: pure functions over saved documents. May not: reading a machine, drawing a screen.
"""
