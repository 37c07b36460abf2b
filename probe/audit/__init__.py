"""The documents made of evidence: audit, snapshot, explanation, and the exit status they end in. Pure."""
