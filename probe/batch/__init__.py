"""Two to fifty machines of one model beside each other: which cell is odd, and why. Pure.

May live here: what documents say of each link as readings, which of these are odd among their like, the document made
of it. May not: opening files, drawing, judging one machine alone.
"""
