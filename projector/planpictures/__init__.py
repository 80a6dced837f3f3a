"""Pictures of plans and blocks, to be pinned over the sewing machine."""
