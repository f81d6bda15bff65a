"""What the subcommands do, one a module; the command line itself only parses and prints."""
