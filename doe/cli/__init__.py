"""The commands: the only stage that prints, and the only one that turns errors into exit statuses."""
