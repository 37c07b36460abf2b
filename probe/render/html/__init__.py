"""Documents as pages: self-contained, without scripts."""
