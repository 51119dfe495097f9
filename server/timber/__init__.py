"""Timber: air to moisture, moisture to movement; pure, with its own published tables."""
