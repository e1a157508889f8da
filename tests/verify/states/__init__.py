"""Simulated rooms whose units' states are known, made by code that shares nothing with the analyser."""
