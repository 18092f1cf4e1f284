"""One module a command; each offers `command`, a `click.Command`."""
