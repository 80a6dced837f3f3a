"""Patches that lie edge to edge, how they are sewn together, and the raw outlines that this needs."""
