"""The command line: `commands` is the table of all, with one file for each group of them.

Read `commands`, `main`, `output`, then the command of interest. Imports everything except the inside of the daemon.
"""
