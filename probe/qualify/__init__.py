"""The command `qualify`: a plan, its journal, what they come to, and the record of it.

Pure: plan, journal's entries, course, judging, record, verifying. What reads a machine or writes to one stands in
`carrying_out` and the modules that it names.
"""
