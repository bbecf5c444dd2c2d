"""The study: what the engineer declared before any data."""
