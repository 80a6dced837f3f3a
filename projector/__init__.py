"""What the person meets: the app at the table."""
