"""Strips and strip sets, longer than the picture or not: long sides, seams, ends."""
