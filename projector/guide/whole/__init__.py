"""The chapter of the finished block: measured from point to point."""
