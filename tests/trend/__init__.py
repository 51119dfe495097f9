"""Tests of the trend."""
