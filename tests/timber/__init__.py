"""Tests of timber."""
