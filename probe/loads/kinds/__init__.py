"""The loads themselves, one a file, each listed in probe/loads/catalogue.py.

May live here: classes with the attributes and methods of probe/loads/interface.py. What one may write, and what it
refuses, stands at its head.
"""
