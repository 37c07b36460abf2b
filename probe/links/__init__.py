"""From evidence to links and verdicts: topology, capability of the pair, judgement, bandwidth, error accounting.

May live here: pure functions over evidence. May not: anything that reads a machine or writes a screen.
"""
