"""The benchmark: how fast, how small, how punctual; ``python -m tests.bench`` runs it.

Figures are ratios and counts beside their targets, printed with the machine. Nothing here is a timed test.
"""
