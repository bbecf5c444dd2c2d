"""Workbooks as bytes that can be repeated."""
