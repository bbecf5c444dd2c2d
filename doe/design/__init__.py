"""The design: which prints are made, in which drying loads, in which order."""
