"""Where things are: the printed sheet, the lenses of camera and projector, the mat's frame, and how sure we are."""
