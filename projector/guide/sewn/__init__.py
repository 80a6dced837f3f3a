"""The chapter of sewn units: laid down, trimmed by their seams, judged, marked for the next seam."""
