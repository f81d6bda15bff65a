"""The editor's desk, reader by reader."""
