"""The command line: read, call, print."""
