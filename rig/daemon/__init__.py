"""The logger: threads live here and nowhere else."""
