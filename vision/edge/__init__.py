"""Locating straight edges of cloth: pixels about them, the light across them, and its fit for many sides at once."""
