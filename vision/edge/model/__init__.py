"""The light across an edge as a camera writes it down, cause by cause: rim, lens, shadow, ruled lines, encoding."""
