"""The commands: the only stage that prints or that turns errors into exit statuses."""
