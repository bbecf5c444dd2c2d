"""A simulated shop that fills in the workbook, always labelled as simulated."""
