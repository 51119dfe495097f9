"""The trend's benches."""
