"""Simulated deaths with known truth, made by code that shares nothing with the analyser."""
