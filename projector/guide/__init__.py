"""The guided cut as a state machine, and the scenes that it asks for: all data."""
