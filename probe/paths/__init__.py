"""The ways between devices of one machine: where they turn, what is isolated from what, what they can carry. Pure.

May live here: functions over evidence, the document, its words. May not: reading a machine, writing anything, advice to
take isolation away.
"""
