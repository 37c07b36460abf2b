"""The command `collect`: one bounded run for cron, its settings and its spool."""
