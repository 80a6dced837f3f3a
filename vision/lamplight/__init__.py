"""The projector's light: as the lamp to measure by, and whether it can be read on this mat."""
