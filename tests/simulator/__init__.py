"""Tests of the simulated room."""
