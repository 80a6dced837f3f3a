"""What the projector makes of its pixels, and what of it comes back from the table."""
