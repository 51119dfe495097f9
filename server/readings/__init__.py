"""Readings: stored raw, read calibrated, rolled up by day."""
