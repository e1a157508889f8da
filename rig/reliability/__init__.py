"""Reliability from the hours and failures of many units: life distributions, MTBF, growth."""
