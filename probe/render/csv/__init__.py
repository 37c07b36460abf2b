"""Documents as tables for spreadsheets and programs (RFC 4180)."""
