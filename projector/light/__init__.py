"""Drawing a scene and throwing it: letters, inks, pixels, the window, and how long light takes."""
