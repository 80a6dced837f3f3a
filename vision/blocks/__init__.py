"""Finished blocks: their outer corners and the tips of their points."""
