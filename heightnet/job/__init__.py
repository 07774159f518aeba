"""What was recorded, and reading it."""
