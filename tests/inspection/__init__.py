"""Tests of server.inspection."""
