"""Setting the table up: calibrating, checking devices, verifying, and what moved since."""
