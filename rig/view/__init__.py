"""The live terminal view: a process of its own that only reads files."""
