"""Delivery: what is said to whom, when it goes, and how it gets there."""
