"""Where things are: the printed sheet, the lenses, the mat's frame, and how sure we are."""
