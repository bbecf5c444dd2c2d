"""The recommendation: a setting, what it promises, what to do next."""
