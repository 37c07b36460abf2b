"""Figures for monitoring, as OpenMetrics or in the older text format."""
