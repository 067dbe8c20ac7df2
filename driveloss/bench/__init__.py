"""What is on the bench and what was read there."""
