"""The record: what was printed or measured, matched to the plan."""
