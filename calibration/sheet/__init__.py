"""The printed sheet: what is on it, how it is drawn, and where a picture shows it."""
