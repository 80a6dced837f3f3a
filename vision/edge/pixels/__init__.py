"""Pixels about straight sides: where they lie, what they show, whose they are, how noisy they are."""
