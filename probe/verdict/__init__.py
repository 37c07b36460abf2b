"""Judging one link: the words, the ordered rules, the reasons, suspect lanes, next steps. Pure.

May live here: functions from a Link to what is said of it. May not: reading a machine, two points in time, drawing.
"""
