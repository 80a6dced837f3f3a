"""The library of blocks: traditional geometry at any size, each with its order of sewing."""
