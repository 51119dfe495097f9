"""Trials."""
