"""The files of operators' texts, one a language."""
