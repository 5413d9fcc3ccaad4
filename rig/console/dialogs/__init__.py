"""The console's dialogs, one a file."""
