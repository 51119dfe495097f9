"""The service: what runs long, opened and closed in order."""
