"""Reading and writing files: whole or not at all, schemas, redaction, dumps. May not: reading hardware, judging."""
