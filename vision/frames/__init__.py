"""Where pictures come from, and whether the scene, the camera and the light stay as they are."""
