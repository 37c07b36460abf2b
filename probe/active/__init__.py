"""Tests that write to hardware because a person asked for them by name: trainings, speed steps, lane margining.

May live here: protocols without I/O, the guard, the one module that writes, its journal, what is put back.
May not: judging a link that nobody touched; writing outside `writing.py`.
"""
