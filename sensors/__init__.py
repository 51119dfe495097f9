"""The node: from a gauge to a message, kept until the collector has stored it."""
