"""The virtual camera: what it gathers, what it sets by itself, how light becomes pixels."""
