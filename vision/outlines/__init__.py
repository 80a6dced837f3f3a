"""From a region to straight or curved sides, fitted, with what is wrong along them and how sure they are together."""
