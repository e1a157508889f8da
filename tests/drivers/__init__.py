"""Tests of the drivers."""
