"""What was judged at the tables, kept safe in SQLite or PostgreSQL, and read again."""
