"""What was measured beside what was expected: laid on each other, judged with its risk, what differs, in words."""
