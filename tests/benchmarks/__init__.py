"""Benchmarks that are run by hand; their figures are quoted with the command that gave them."""
