"""Tests, mirroring the tree."""
