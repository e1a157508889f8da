"""Rig files: strict YAML to nodes, sections with their keys, and a whole file to a ``RigConfig``."""
