"""What can be wrong with a wish for a report."""


class ReportError(Exception):
    """There is nothing to report, or no place for it; the message says in one line what to do."""
