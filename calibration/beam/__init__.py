"""The projector's light: patterns, their reading, its lens, and the camera's tone curve."""
