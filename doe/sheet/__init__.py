"""The workbook that operators fill in."""
