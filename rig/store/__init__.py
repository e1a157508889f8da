"""Files on disk: the only code that opens, syncs and renames data."""
