"""What is printed: one place for the words of terminal, report and page."""
