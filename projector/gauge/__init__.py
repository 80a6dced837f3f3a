"""The tool examines itself: the gauge study, in numbers, words and a picture."""
