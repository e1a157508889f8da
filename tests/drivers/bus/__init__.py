"""Tests of the bus layer."""
