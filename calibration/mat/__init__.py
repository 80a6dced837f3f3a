"""The bare mat: its frame, what it is known by, what moved, and poses solved again."""
