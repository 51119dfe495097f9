"""Tests of the simulated door."""
