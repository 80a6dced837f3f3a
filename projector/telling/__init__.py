"""What is told of each change: events for scripts, one short line each for people, and tones."""
