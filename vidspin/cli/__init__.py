"""The command line: one small file a command; options in, one call, exit code out."""
