"""Observers of the record: each sees every scan and event after it is written."""
