"""What lies on the mat: frames, light, regions, edges, shapes, the comparison with an expected shape."""
