"""The report for the quality file, and the rows that every output shows."""
