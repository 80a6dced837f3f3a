"""A report of what was planned, cut and measured: one page that needs nothing else."""
