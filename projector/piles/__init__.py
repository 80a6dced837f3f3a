"""A pile of units, at the table, in photographs or in a recording: what is which, how many, what is said of all."""
