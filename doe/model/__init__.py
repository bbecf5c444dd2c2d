"""The fit: the declared model with intervals that respect how the prints were made."""
