"""The service: what receives, keeps, parts and says."""
