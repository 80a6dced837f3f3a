"""What lies on the mat and where, to a pixel: how a frame differs from the bare mat, and which regions that makes."""
