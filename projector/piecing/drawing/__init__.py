"""One's own block: from a list of patches or a drawing to patches edge to edge at the finished size."""
