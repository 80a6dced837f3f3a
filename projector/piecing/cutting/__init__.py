"""How patches and sewn rows of them are cut from strips, and how much cloth that takes."""
