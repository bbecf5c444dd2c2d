"""The report for the quality file, made of the rows that every output shows."""
