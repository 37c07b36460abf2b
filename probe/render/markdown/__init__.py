"""Documents as Markdown, for a ticket."""
