"""The commands, one file each.

The first line of a file is the group and the summary that ``soakrig --help`` shows; ``EXAMPLE``,
``arguments`` and ``run`` are the rest of a command. ``run`` returns the exit code and what is to be printed.
"""
