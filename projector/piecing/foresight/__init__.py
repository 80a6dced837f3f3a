"""What a block will measure when it is sewn from the units and with the seams that were measured."""
