"""Tests of the sources."""
