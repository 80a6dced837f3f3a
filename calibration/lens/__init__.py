"""The camera solved from views of the sheet."""
