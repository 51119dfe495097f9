"""Tests of server.alerts."""
