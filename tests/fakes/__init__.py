"""Stand-ins for what is not ours."""
