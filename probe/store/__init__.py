"""The fleet store: what the links of many hosts were, as Parquet by date, and the questions asked of it.

Schema linkprobe/store/1: one row a link a snapshot, the fields of `rows.LinkRow`. It only grows.
"""
