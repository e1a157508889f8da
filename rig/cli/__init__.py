"""The command line: one parser, the commands, and the only place that prints or exits."""
