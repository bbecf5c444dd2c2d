"""The record: what was printed and measured, matched to the plan."""
