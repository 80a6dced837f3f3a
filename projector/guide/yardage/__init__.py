"""Strips cut from folded yardage: a chapter of the guided cut, with a door in `striping.py`."""
