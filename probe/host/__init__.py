"""Reading the machine. The only place that opens files under /sys.

May live here: readers that turn files into evidence. May not: decoding past what reading needs, judging.
"""
