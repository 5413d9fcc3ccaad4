"""The operator's console: a Textual application over the commands and events of a bench."""
