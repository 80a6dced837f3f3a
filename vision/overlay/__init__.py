"""What was measured, drawn over the picture that it was measured in."""
