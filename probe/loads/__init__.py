"""What soaks and active tests load a link with.

May live here: what loads have in common. The loads themselves are in `kinds/`, one a file; `catalogue.py` lists them.
"""
