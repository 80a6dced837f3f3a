"""The chapter of the seam check: the first strip set measured before more are sewn."""
