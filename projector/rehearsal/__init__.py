"""The virtual table: a second world with lenses, light, cloth and a person of its own, for practice and
tests."""
