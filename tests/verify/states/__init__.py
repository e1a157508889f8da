"""Simulated rooms whose units' operating states are known, made by code that shares nothing with the analyser."""
