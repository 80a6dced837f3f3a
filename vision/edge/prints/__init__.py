"""What is known of a printed fabric at its cut edge: where it repeats itself, and what it would show."""
