"""What is measured by hand, and never timed in a test."""
