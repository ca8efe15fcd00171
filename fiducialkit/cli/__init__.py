"""The command line: thin shells over the public functions. Each command imports its rooms when it runs."""
