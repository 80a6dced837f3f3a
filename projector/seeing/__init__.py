"""What lies on the mat, as the guided cut asks for it: pictures taken in the lamp's light, measured beside drawing."""
