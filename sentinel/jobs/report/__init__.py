"""What was recorded, for people to read."""
