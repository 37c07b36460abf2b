"""The questions, each one Ibis expression over the store's rows and the same on every engine.

Every answer is ordered by all it takes to be the same each time. Times are seconds since 1970, UTC. `machine` is the
key by which a host is told from others of its name.
"""
