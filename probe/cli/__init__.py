"""The command line: one short file a command. Parses, calls, renders, exits; decides nothing about PCI Express."""
