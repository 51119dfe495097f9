"""Tests of server.joinery."""
