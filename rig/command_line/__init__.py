"""What can be written on the command line, by command.  Nothing heavy is imported here."""
