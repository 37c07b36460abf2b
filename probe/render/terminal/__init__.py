"""Documents on a terminal or a pipe."""
