"""The recommendation: a setting, what it promises, and what to do next."""
