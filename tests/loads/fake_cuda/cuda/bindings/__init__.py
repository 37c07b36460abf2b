"""Stands before the real package of the name, where that is installed."""
