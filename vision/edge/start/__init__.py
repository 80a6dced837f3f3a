"""Where a fit starts: edges to a pixel, in the right valley of the light."""
