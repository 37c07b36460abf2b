"""Many hosts: what each leaves in its spool and tells its monitoring, run after run.

May live here: the collector's run, its settings, the spool, metrics. May not: judging one link, drawing.
"""
