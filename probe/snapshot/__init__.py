"""The document: what a machine was seen to be, how it is written to a file and read back.

May live here: types that are saved, reading and writing them. May not: reading hardware, judging.
"""
