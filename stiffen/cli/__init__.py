"""The command line: one command a function, progress, exit status. The only package that prints."""
