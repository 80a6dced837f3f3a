"""Scenes as data, and what is laid on them: pages, free room, marks, signs, cautions, help."""
