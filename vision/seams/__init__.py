"""Seams inside a piece: searched for, or looked for where a plan has them."""
